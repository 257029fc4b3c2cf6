"""The Store port: what a cell told last, from the newest back, and never more rows than are asked for."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event as listened

from tests.contract.rows import LARGEST, A, B, alarm, discrepancy, event, fastener, gap, refused, verdict
from tests.contract.stores import Stores
from tests.servers.fixtures import migrated_url
from zoneledger.application.ports import Store
from zoneledger.application.stored import EventRow, SnapshotRow
from zoneledger.core.hearing import Heard
from zoneledger.core.rows import Booked

NOBODY = "harbour/wing-1/cell-9"


async def _book(store: Store, rows: Booked, cell: str = A) -> None:
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([cell]))[cell].ledger_id
        await writing.add_booked([(ledger_id, rows)])


async def _tell(store: Store, cell: str, events: list[tuple[int, int]], snapshots: list[tuple[int, int, int]]) -> None:
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([cell]))[cell].cell_id
        await writing.add_events([event(cell_id, *key) for key in events])
        await writing.add_snapshots([SnapshotRow(cell_id, *place, f"[{place[2]}]") for place in snapshots])


async def test_the_boots_of_a_cell_are_the_highest_and_the_lowest_of_events_and_snapshots(store: Store) -> None:
    await _tell(store, A, [(boot, 1) for boot in (0, 3, 5, LARGEST)], [(4, 0, 1), (5, 0, 1), (9, 0, 1)])
    await _tell(store, B, [(7, 1)], [])
    async with store.reading() as reading:
        assert await reading.boots(A, 99) == [0, 3, 4, 5, 9, LARGEST]
        assert await reading.boots(A, 2) == [0, 3, 9, LARGEST]
        assert await reading.boots(A, 3) == [0, 3, 4, 5, 9, LARGEST]
        assert await reading.boots(B, 2) == [7]
        assert await reading.boots(NOBODY, 2) == []


async def test_boots_are_recent_whose_last_event_or_snapshot_is(store: Store) -> None:
    places = [(0, 1, 90), (1, 1, 99), (1, 2, 10), (2, 1, 60), (9, 1, 61), (LARGEST, 1, 10)]
    await _tell(store, A, [], [(1, 0, 10), (4, 0, 80), (5, 9, 60), (5, 9, 59)])
    await _tell(store, B, [(7, 1)], [])
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([A]))[A].cell_id
        await writing.add_events([event(cell_id, boot, seq)._replace(at_us=at_us) for boot, seq, at_us in places])
    async with store.reading() as reading:
        assert await reading.recent_boots(A, 1, 99) == {0, 1, 2, 4, 5, 9, LARGEST}
        assert await reading.recent_boots(A, 60, 99) == {0, 2, 4, 5, 9}
        assert await reading.recent_boots(A, 60, 3) == {2, 4, 5, 9}
        assert await reading.recent_boots(B, 2, 3) == set()
        assert await reading.recent_boots(NOBODY, 0, 3) == set()


async def test_the_last_events_of_a_boot_come_from_the_last_one_back(store: Store) -> None:
    await _tell(store, A, [(1, seq) for seq in (4, 1, 2, 3)] + [(2, 9)], [])
    await _tell(store, B, [(1, 8)], [])
    async with store.reading() as reading:
        first = await reading.last_events(A, 1, None, 2)
        assert first == [Heard(1, 4, 1, 2, "wait"), Heard(1, 3, 1, 2, "wait")]
        assert [one.seq for one in await reading.last_events(A, 1, first[-1].seq, 99)] == [2, 1]
        assert await reading.last_events(A, 3, None, 2) == []
        assert await reading.last_events(NOBODY, 1, None, 2) == []


async def test_the_last_snapshots_of_a_boot_come_from_the_last_one_back(store: Store) -> None:
    await _tell(store, A, [], [(1, 0, 30), (1, 2, 10), (1, 0, 20), (2, 0, 99)])
    await _tell(store, B, [], [(1, 7, 5)])
    async with store.reading() as reading:
        first = await reading.last_snapshots(A, 1, None, 2)
        assert first == [Heard(1, 2, 10, None, "snapshot"), Heard(1, 0, 30, None, "snapshot")]
        assert await reading.last_snapshots(A, 1, (0, 30), 2) == [Heard(1, 0, 20, None, "snapshot")]
        assert [row[1:] for row in await reading.last_conditions(A, 1, 2)] == [(1, 2, 10, "[10]"), (1, 0, 30, "[30]")]
        assert await reading.last_snapshots(NOBODY, 1, None, 2) == []
        assert await reading.last_conditions(NOBODY, 1, 2) == []


async def test_the_last_gaps_and_alarms_come_from_the_last_one_back(store: Store) -> None:
    await _book(store, Booked(gaps=[gap(5), gap(9), gap(9, rank=1), gap(2, boot=2)]))
    await _book(store, Booked(gaps=[gap(7)], alarms=[alarm(3, 77)]), B)
    await _book(store, Booked(alarms=[alarm(1, 50), alarm(2, 40), alarm(3, 50)]))
    async with store.reading() as reading:
        assert await reading.last_gaps(A, 3) == [gap(2, boot=2), gap(9, rank=1), gap(9)]
        assert await reading.last_alarms(A, 2) == [alarm(3, 50), alarm(1, 50)]
        assert await reading.last_gaps(NOBODY, 3) == []
        assert await reading.last_alarms(NOBODY, 3) == []


async def test_the_last_discrepancies_are_those_of_a_kind_in_a_window(store: Store) -> None:
    rows = [discrepancy(seq, at_us=seq * 10) for seq in range(1, 6)]
    await _book(store, Booked(discrepancies=[*rows, discrepancy(6, at_us=30, kind="clock_back")]))
    await _book(store, Booked(discrepancies=[discrepancy(7, at_us=30)]), B)
    async with store.reading() as reading:
        assert await reading.last_discrepancies(A, "unseen", 20, 50, 99) == [rows[3], rows[2], rows[1]]
        assert await reading.last_discrepancies(A, "unseen", 20, 50, 1) == [rows[3]]
        assert await reading.last_discrepancies(A, "not_present", 0, 99, 9) == []
        assert await reading.last_discrepancies(NOBODY, "unseen", 0, 99, 9) == []


@pytest.mark.parametrize("body", [b"", b"{\x00\xff\xc3(", b"x" * 5000])
async def test_what_was_refused_last_is_given_with_its_first_bytes(store: Store, body: bytes) -> None:
    async with store.writing() as writing:
        await writing.add_refused([refused(A, b"1"), refused(B, b"2"), refused(A, body)])
    async with store.reading() as reading:
        last, first = await reading.last_refused(A, 100, 9)
        assert [one.row for one in await reading.last_refused(A, 100, 1)] == [last.row]
        assert await reading.last_refused(NOBODY, 100, 9) == []
    assert (first.row, first.cell) == (refused(A, b"1"), A)
    assert last.row == refused(A, body)._replace(body=body[:100])
    assert last.id > first.id


async def test_the_last_verdicts_that_apply_to_no_fastener_are_told_among_so_many(store: Store) -> None:
    told = [verdict(2, "P-1", "7"), verdict(4, "P-1", "8"), verdict(6, "P-1", "9")]
    await _book(store, Booked(fasteners=[fastener(3, panel="P-1", position="8")], verdicts=told))
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([A]))[A].cell_id
        await writing.add_events([EventRow(cell_id, 1, seq, seq * 10, 5, "verdict", "{}") for seq in (2, 4, 6)])
    async with store.reading() as reading:
        found = await reading.last_unmatched(A, 9)
        assert [(one.verdict, one.at_us, one.arrived_us) for one in found] == [(told[2], 60, 5), (told[0], 20, 5)]
        assert [one.verdict for one in await reading.last_unmatched(A, 2)] == [told[2]]
        assert await reading.last_unmatched(NOBODY, 9) == []


async def test_no_look_back_scans_a_table_or_sorts_more_than_it_gives(
    request: pytest.FixtureRequest, tmp_path: Path, stores: Stores
) -> None:
    url = migrated_url("sqlite", request, tmp_path)
    store, asked = await stores.open(url), list[tuple[str, Any]]()
    listened.listen(
        stores.engines[url].read.sync_engine,
        "before_cursor_execute",
        lambda _c, _cursor, statement, parameters, *_: asked.append((statement, parameters)),
    )
    await _tell(store, A, [(1, 1)], [(1, 1, 1)])
    async with store.reading() as reading:
        await reading.boots(A, 2)
        await reading.recent_boots(A, 1, 5)
        await reading.last_events(A, 1, 9, 5)
        await reading.last_snapshots(A, 1, (9, 9), 5)
        await reading.last_conditions(A, 1, 5)
        await reading.last_gaps(A, 5)
        await reading.last_refused(A, 10, 5)
        await reading.last_alarms(A, 5)
        await reading.last_unmatched(A, 5)
        await reading.last_discrepancies(A, "unseen", 0, 9, 5)
    assert len(asked) > 9
    with sqlite3.connect(url.removeprefix("sqlite:///")) as connection:
        for statement, parameters in asked:
            plan = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {statement}", parameters)]
            assert [
                step
                for step in plan
                if step.startswith("SCAN") and not any(name in step for name in ("told", "anon", "CONSTANT"))
            ] == [], statement
            # Rows of one place or one instant are put in order among themselves, and the verdicts that were looked for.
            whole = [step for step in plan if "TEMP B-TREE" in step and "PART" not in step and "LAST" not in step]
            assert whole == [] or "verdicts" in statement, plan
    connection.close()
