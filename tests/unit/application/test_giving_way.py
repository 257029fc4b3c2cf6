"""Work beside a block: both are over when the block is, whichever fails; and what a group is stays unseen by the collector."""

import asyncio
import gc
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from zoneledger.application.giving_way import beside, giving_way, portions, uncollected


class _Failed(Exception):
    pass


async def _work(told: list[str], turns: int = 3, *, fails: bool = False) -> None:
    told.append("work begins")
    try:
        for _ in range(turns):
            await asyncio.sleep(0)
    except asyncio.CancelledError:
        await asyncio.sleep(0)  # as a statement takes its time to be broken off
        told.append("work broken off")
        raise
    if fails:
        raise _Failed("work")
    told.append("work ends")


async def test_work_begins_before_the_block_and_ends_before_what_follows_it() -> None:
    told: list[str] = []
    async with beside(_work(told)):
        told.append("block begins")
        await asyncio.sleep(0)
        told.append("block ends")
    assert told == ["work begins", "block begins", "block ends", "work ends"]


async def test_work_that_fails_is_told_once_the_block_is_over() -> None:
    told: list[str] = []

    async def both() -> None:
        async with beside(_work(told, 1, fails=True)):
            for _ in range(5):
                await asyncio.sleep(0)
            told.append("block ends")

    with pytest.raises(_Failed, match="work"):
        await both()
    assert told == ["work begins", "block ends"]


@pytest.mark.parametrize("failure", [_Failed, asyncio.CancelledError])
async def test_where_the_block_fails_the_work_is_over_before_that_is_told(failure: type[BaseException]) -> None:
    told: list[str] = []
    with pytest.raises(failure):
        async with beside(_work(told, 1000)):
            raise failure
    assert told == ["work begins", "work broken off"]


async def test_where_both_fail_that_of_the_block_is_told() -> None:
    async def both() -> None:
        async with beside(_work([], 1, fails=True)):
            for _ in range(5):
                await asyncio.sleep(0)
            raise KeyError

    with pytest.raises(KeyError):
        await both()


@pytest.mark.parametrize("turns", [1, 2, 5])
async def test_who_waits_for_the_work_and_is_cancelled_breaks_it_off(turns: int) -> None:
    told: list[str] = []

    async def both() -> None:
        async with beside(_work(told, 1000)):
            pass

    task = asyncio.create_task(both())
    for _ in range(turns):
        await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert told == ["work begins", "work broken off"]


@asynccontextmanager
async def _others() -> AsyncIterator[Callable[[], int]]:
    """Let others have turns where they are given any, and tell how many they have had."""
    turns = 0

    async def other() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    task = asyncio.create_task(other())
    try:
        yield lambda: turns
    finally:
        task.cancel()


async def test_others_have_a_turn_after_so_many_things() -> None:
    async with _others() as turns:
        assert [one async for one in giving_way(range(100), 10)] == list(range(100))
        assert turns() == 10


async def test_things_weigh_as_much_as_they_are_said_to() -> None:
    async with _others() as turns:
        found = [turns() async for _ in giving_way([4, 5, 20, 1, 9, 1], 10, lambda weight: weight)]
    assert found == [0, 0, 0, 1, 1, 2]


async def test_portions_are_all_there_is_with_a_turn_for_others_after_each_that_is_full() -> None:
    async with _others() as turns:
        found = [(some, turns()) async for some in portions(iter(range(25)), 10)]
    assert found == [(list(range(10)), 0), (list(range(10, 20)), 1), (list(range(20, 25)), 2)]


@pytest.mark.parametrize("fails", [False, True])
def test_the_collector_looks_again_afterwards_even_after_a_failure(fails: bool) -> None:
    assert gc.isenabled()
    with pytest.raises(_Failed) if fails else uncollected(), uncollected():
        assert not gc.isenabled()
        if fails:
            raise _Failed
    assert gc.isenabled()


def test_a_collector_that_was_off_stays_off() -> None:
    gc.disable()
    try:
        with uncollected():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
