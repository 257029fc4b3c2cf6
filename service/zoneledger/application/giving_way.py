"""Work that has many steps gives way to others between them, so that it does not hold up the event loop."""

import asyncio
from collections.abc import AsyncIterator, Iterable
from typing import TypeVar

T = TypeVar("T")


async def giving_way(things: Iterable[T], at_a_time: int) -> AsyncIterator[T]:
    """Yield things, with a turn for others after each `at_a_time` of them were worked on."""
    for number, one in enumerate(things, start=1):
        yield one
        if number % at_a_time == 0:
            await asyncio.sleep(0)
