"""A table of a window is read from where the window can begin, not from the first event that was ever stored."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Any, cast

from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Store
from zoneledger.application.stored import EventRow, Listed
from zoneledger.application.tables.columns import Part, Source
from zoneledger.application.tables.lists import read_event_rows
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Site, Unit

SECOND_US = 1_000_000
EVENTS = 100_000


class _Stored:
    """As many events, of which each arrives a second after the one before; `asked` counts the rows that were given."""

    def __init__(self) -> None:
        self.asked = 0

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Any]:
        yield self

    async def events_by_arrival(self, cells: Sequence[str] | None, after_id: int, limit: int) -> list[Listed[EventRow]]:
        ids = range(after_id + 1, min(after_id + limit, EVENTS) + 1)
        self.asked += len(ids)
        return [Listed(i, "a/b/c", EventRow(1, 1, i, i * SECOND_US, i * SECOND_US, "own", "{}")) for i in ids]


async def _read(stored: _Stored, first: int, behind: int) -> list[Any]:
    unit = Unit("a/b/c", "cell", Site("a", "UTC", ()))
    part = Part(unit, Window(first * SECOND_US, behind * SECOND_US))
    source = Source(cast(Store, stored), cast(DeclaredPlant, None), [part], False, 0, Limits())
    return [row[0] async for rows in read_event_rows(source) for row in rows]


async def test_events_of_a_window_are_all_found_and_few_others_are_read() -> None:
    stored = _Stored()
    assert await _read(stored, EVENTS - 9, EVENTS - 5) == list(range(EVENTS - 9, EVENTS - 5))
    assert stored.asked < 8000
    assert await _read(_Stored(), 3, 5) == [3, 4]
    assert await _read(_Stored(), EVENTS + 1, EVENTS + 5) == []
