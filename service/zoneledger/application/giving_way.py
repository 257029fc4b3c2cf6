"""Work that has many steps gives way to others between them, so that it does not hold up the event loop."""

import asyncio
from collections.abc import AsyncIterator, Coroutine, Iterable
from contextlib import asynccontextmanager
from typing import Any, TypeVar

T = TypeVar("T")


async def giving_way(things: Iterable[T], at_a_time: int) -> AsyncIterator[T]:
    """Yield things, with a turn for others after each `at_a_time` of them were worked on."""
    for number, one in enumerate(things, start=1):
        yield one
        if number % at_a_time == 0:
            await asyncio.sleep(0)


@asynccontextmanager
async def beside(work: Coroutine[Any, Any, None]) -> AsyncIterator[None]:
    """Let work be done during the block, which ends once both are; where either fails the other has ended before that is told."""
    task = asyncio.ensure_future(work)
    await asyncio.sleep(0)  # it begins
    try:
        yield
    except BaseException:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        raise
    await task
