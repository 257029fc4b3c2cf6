"""How work with many steps goes beside other work: it gives way, is done meanwhile, and is left alone by the collector."""

import asyncio
import gc
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator
from contextlib import asynccontextmanager, contextmanager
from itertools import islice
from typing import Any, TypeVar

T = TypeVar("T")


def _one(_: Any) -> int:
    """Weigh each thing the same."""
    return 1


async def giving_way(things: Iterable[T], at_a_time: int, weigh: Callable[[T], int] = _one) -> AsyncIterator[T]:
    """Yield things, with a turn for others once those that were worked on since the last weigh `at_a_time`."""
    weight = 0
    for one in things:
        yield one
        weight += weigh(one)
        if weight >= at_a_time:
            weight = 0
            await asyncio.sleep(0)


async def portions(things: Iterable[T], at_a_time: int) -> AsyncIterator[list[T]]:
    """Yield things some at a time, with a turn for others after each full portion: where a step for each one would tell."""
    rest = iter(things)
    while some := list(islice(rest, at_a_time)):
        yield some
        if len(some) == at_a_time:
            await asyncio.sleep(0)


@asynccontextmanager
async def beside(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Let work be done during the block, which ends once both are; where either fails the other has ended before that is told."""
    task = asyncio.ensure_future(work)
    try:
        await asyncio.sleep(0)  # it begins
        yield
    except BaseException:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        raise
    await task


@contextmanager
def uncollected() -> Iterator[None]:
    """Keep Python's cycle collector from walking thousands of messages and rows while they are worked on.

    They hold no cycles, and are gone soon. Walking them took a tenth of the time.
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()
