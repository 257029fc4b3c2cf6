"""The Store port: which verdicts apply to no fastener follows from the messages, in whatever order they come."""

from itertools import permutations

import pytest

from tests.contract.payloads import dumped, fastener, snapshot, verdict
from tests.contract.recording import CELL, NOW_US, TWIN, delivery, record
from zoneledger.application.ports import Store

EVENTS = [
    fastener(1, 10, panel="p", position="1"),
    verdict(2, 20, panel="p", position="2"),
    fastener(3, 30, panel="p", position="2"),
]
EVENTS += [
    verdict(4, 40, panel="p", position="1"),
    verdict(5, 50, panel="q", position="1"),
    verdict(6, 60, panel="p", position="2"),
]


async def _unmatched(store: Store, *cells: str, after: int = 0, limit: int = 9) -> list[tuple[str, int, str, str, int]]:
    async with store.reading() as reading:
        found = await reading.unmatched(cells, after, limit)
        events = {one.id: one.row for one in await reading.events_by_arrival(cells, 0, 100)}
    for one in found:
        event, given = events[one.id], one.row.verdict
        assert (event.boot, event.seq, event.at_us, event.arrived_us) == (given.boot, given.seq, one.row.at_us, NOW_US)
    return [(one.cell, one.row.verdict.seq, one.row.verdict.panel, one.row.verdict.position, one.id) for one in found]


@pytest.mark.parametrize("order", list(permutations(range(3))))
async def test_verdicts_that_apply_to_no_fastener_are_listed_whatever_comes_first(
    store: Store, order: tuple[int, ...]
) -> None:
    for part in order:
        await record(store, [delivery(dumped(snapshot(0, 0, zones={"1": {}}), *EVENTS[2 * part : 2 * part + 2]))])
    found = await _unmatched(store, CELL)
    # That of event 2 is before the fastener at its position, which event 6 is after.
    assert sorted(one[:4] for one in found) == [(CELL, 2, "p", "2"), (CELL, 5, "q", "1")]


async def test_a_verdict_is_listed_until_its_fastener_arrives(store: Store) -> None:
    late = {1, 3}
    await record(store, [delivery(dumped(*(one for one in EVENTS if one["seq"] not in late)))])
    assert [one[1] for one in await _unmatched(store, CELL)] == [2, 4, 5, 6]
    await record(store, [delivery(dumped(*(one for one in EVENTS if one["seq"] in late)))])
    assert [one[1] for one in await _unmatched(store, CELL)] == [2, 5]


async def test_they_come_by_pages_and_cells(store: Store) -> None:
    await record(store, [delivery(dumped(*EVENTS)), delivery(dumped(*EVENTS), TWIN)])
    whole = await _unmatched(store, CELL, TWIN)
    assert len(whole) == 4
    assert [one[4] for one in whole] == sorted(one[4] for one in whole)
    assert await _unmatched(store, CELL, TWIN, limit=3) == whole[:3]
    assert await _unmatched(store, CELL, TWIN, after=whole[2][4]) == whole[3:]
    assert await _unmatched(store, TWIN) == [one for one in whole if one[0] == TWIN]
    assert await _unmatched(store) == []
