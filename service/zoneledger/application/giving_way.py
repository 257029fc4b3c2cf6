"""How work with many steps goes beside other work: it gives way, is done meanwhile, and is left alone by the collector."""

import asyncio
import gc
from collections.abc import AsyncIterator, Coroutine, Iterable, Iterator
from contextlib import asynccontextmanager, contextmanager
from itertools import islice
from typing import Any, TypeVar

T = TypeVar("T")


async def giving_way(things: Iterable[T], at_a_time: int) -> AsyncIterator[T]:
    """Yield things, with a turn for others after each `at_a_time` of them were worked on."""
    for number, one in enumerate(things, start=1):
        yield one
        if number % at_a_time == 0:
            await asyncio.sleep(0)


async def portions(things: Iterable[T], at_a_time: int) -> AsyncIterator[list[T]]:
    """Yield things some at a time, with a turn for others before each portion: where a step for each one would tell."""
    rest = iter(things)
    while some := list(islice(rest, at_a_time)):
        await asyncio.sleep(0)
        yield some


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
