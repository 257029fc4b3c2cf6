"""The history of what people said reads of the ledger what its entries are about, a cell after the other, on each store."""

from collections.abc import Sequence
from typing import Any, cast

import pytest

from tests.contract.payloads import dumped
from tests.contract.recording import CELL, NOW_US, TWIN, delivery, record
from tests.contract.rows import said
from tests.contract.saying import BEGIN_US, PLANT, SECOND_US, STORY, at, say, unit
from zoneledger.application.given import read_history
from zoneledger.application.ports import Reading, Store
from zoneledger.application.windows import MAX_DAYS
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.rows import ZoneSpan

LINE = CELL.rpartition("/")[0]
#: The same of a cell that has one zone.
TWINS = [
    message | ({"zones": {"1": {}}} if "zones" in message else {}) | ({"zone": "1"} if message.get("zone") else {})
    for message in STORY
]


class _Noted:
    """A look that notes of which cells spans are asked for, and of what time."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self.asked: list[tuple[tuple[str, ...], int, int]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._reading, name)

    async def spans(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[ZoneSpan]]:
        self.asked.append((tuple(cells), start_us, end_us))
        return await self._reading.spans(cells, start_us, end_us)


@pytest.fixture
async def told(store: Store) -> Store:
    """A store that knows the story of two cells."""
    await record(store, [delivery(dumped(*STORY)), delivery(dumped(*TWINS), TWIN)], PLANT)
    return store


async def _history(store: Store) -> tuple[list[int | None], list[tuple[tuple[str, ...], int, int]]]:
    async with store.reading() as reading:
        noted = _Noted(reading)
        found = await read_history(cast(Reading, noted), unit(LINE), 0, 99, NOW_US, Limits())
    return [one.decides_us for one in found], noted.asked


async def test_only_the_cell_of_an_entry_is_read_over_its_own_time(told: Store) -> None:
    await say(told, 100, 200, unit=unit(f"{CELL}/1"))
    await say(told, 150, 450, "sensor", unit=unit(f"{TWIN}/1"))
    decides, asked = await _history(told)
    assert decides == [100 * SECOND_US, 100 * SECOND_US]
    assert asked == [((CELL,), at(100), at(200)), ((TWIN,), at(150), at(450))]


async def test_no_more_is_read_at_once_than_one_entry_may_be_long(told: Store) -> None:
    long_us = MAX_DAYS * DAY_US
    rows = [said(CELL, BEGIN_US - (n + 1) * long_us, BEGIN_US - n * long_us, zone="1") for n in range(9)]
    rows.append(said(CELL, BEGIN_US, BEGIN_US + 500 * SECOND_US, zone="1"))
    async with told.writing() as writing:
        for row in rows:
            await writing.add_given(row)
    decides, asked = await _history(told)
    assert decides == [0] * 9 + [400 * SECOND_US]
    assert max(end_us - start_us for _, start_us, end_us in asked) == long_us
    assert sum(end_us - start_us for _, start_us, end_us in asked) == 9 * long_us + 500 * SECOND_US
