"""The Store port: spans, fasteners, verdicts, gaps, discrepancies and revisions."""

import pytest

from tests.contract.rows import (
    BEFORE_1970_US,
    LARGEST,
    TEXTS,
    YEAR_9999_US,
    A,
    B,
    activity,
    alarm,
    discrepancy,
    fastener,
    gap,
    revision,
    span,
    verdict,
)
from zoneledger.application.ports import Store, Writing
from zoneledger.application.stored import Count, Stretch
from zoneledger.core.passes import ACTIVITIES_BACK
from zoneledger.core.rows import Activity, Booked, Place

WHOLE = Stretch(None, None, {}, {}, None)
MANY = 40_000


async def _cell(writing: Writing, cell: str = A) -> int:
    return (await writing.lock_heads([cell]))[cell].ledger_id


async def _book(store: Store, rows: Booked, cell: str = A) -> int:
    async with store.writing() as writing:
        ledger_id = await _cell(writing, cell)
        await writing.add_booked([(ledger_id, rows)])
    return ledger_id


def _sorted(booked: Booked) -> Booked:
    rows = (booked.spans, booked.fasteners, booked.verdicts, booked.gaps, booked.discrepancies)
    return Booked(*(sorted(one, key=repr) for one in rows))  # type: ignore[arg-type]


async def _booked(store: Store, ledger_id: int, stretch: Stretch = WHOLE) -> Booked:
    async with store.writing() as writing:
        return _sorted(await writing.booked(ledger_id, stretch))


async def test_all_rows_of_a_ledger_come_back_as_they_were(store: Store) -> None:
    rows = Booked(
        [span("1", BEFORE_1970_US, YEAR_9999_US, "fault", TEXTS[4]), span("", 0, 1, "unknown", None)],
        [
            fastener(LARGEST, YEAR_9999_US, boot=LARGEST, item=TEXTS[2], panel=TEXTS[4], position="%", seconds=0.1),
            fastener(1, BEFORE_1970_US, boot=0, seconds=86_400.0),
        ],
        [verdict(2, TEXTS[1], TEXTS[4]), verdict(LARGEST, "p", "1", boot=LARGEST)],
        [gap(LARGEST), gap(5, rank=1)._replace(since_us=BEFORE_1970_US)],
        [discrepancy(3, LARGEST, at_us=YEAR_9999_US), discrepancy(3, -LARGEST)._replace(number=1, detail=TEXTS[3])],
    )
    ledger_id = await _book(store, rows)
    assert await _booked(store, ledger_id) == _sorted(rows)
    assert await _booked(store, ledger_id + 1) == Booked()


async def test_adding_nothing_adds_nothing(store: Store) -> None:
    ledger_id = await _book(store, Booked())
    async with store.writing() as writing:
        await writing.add_booked([])
        await writing.remove_booked(ledger_id, WHOLE, Booked())
        await writing.put_verdicts(ledger_id, {})
        await writing.add_refused([])
        await writing.add_revisions([])
    assert await _booked(store, ledger_id) == Booked()


async def test_a_stretch_begins_after_a_place_and_ends_with_one(store: Store) -> None:
    rows = Booked(
        fasteners=[fastener(seq) for seq in (1, 2, 3, 4)],
        verdicts=[verdict(seq, "p", "1") for seq in (1, 2, 3, 4)],
        gaps=[gap(2), gap(2, rank=1), gap(3), gap(3, rank=1)],
        discrepancies=[discrepancy(seq) for seq in (1, 2, 3)],
    )
    ledger_id = await _book(store, rows)
    found = await _booked(store, ledger_id, Stretch(Place(1, 2, 0), Place(1, 3, 0), {}, {}, 0))
    assert found.fasteners == [rows.fasteners[2]]
    assert found.verdicts == [rows.verdicts[2]]
    assert sorted(row.place for row in found.gaps) == [(1, 2, 1), (1, 3, 0)]
    assert [row.place for row in found.discrepancies] == [(1, 2, 1)]


async def test_a_stretch_orders_places_by_boot_before_seq(store: Store) -> None:
    rows = [fastener(9, boot=1), fastener(1, boot=2), fastener(5, boot=2)]
    ledger_id = await _book(store, Booked(fasteners=rows))
    found = await _booked(store, ledger_id, Stretch(Place(1, 9, 0), Place(2, 4, 1), {}, {}, None))
    assert found.fasteners == [rows[1]]


async def test_a_span_belongs_to_a_stretch_by_its_start_in_the_bounds_of_its_zone(store: Store) -> None:
    spans = [span(zone, at, at + 10) for zone in ("", "1", "2", "3") for at in (0, 10, 20, 30)]
    ledger_id = await _book(store, Booked(spans=spans))
    found = await _booked(store, ledger_id, Stretch(None, None, {"": 10, "1": 20}, {"": 30, "2": 10}, 20))
    starts = {(row.zone, row.span.start_us) for row in found.spans}
    assert starts == {("", 10), ("", 20), ("2", 0), ("3", 0), ("3", 10)}
    open_end = await _booked(store, ledger_id, Stretch(None, None, {"1": 20}, {}, None))
    assert {row.span.start_us for row in open_end.spans if row.zone == "1"} == {20, 30}
    assert len([row for row in open_end.spans if row.zone != "1"]) == 12


async def test_named_rows_are_removed_and_others_stay(store: Store) -> None:
    rows = Booked(
        [span("1", 0, 5), span("1", 5, 9), span("2", 0, 5)],
        [fastener(1), fastener(2)],
        [verdict(3, "p", "1"), verdict(4, "p", "1")],
        [gap(2)],
        [discrepancy(1)],
    )
    ledger_id, other = await _book(store, rows), await _book(store, rows, B)
    gone = Booked(rows.spans[:1], rows.fasteners[:1], rows.verdicts[:1])
    async with store.writing() as writing:
        await writing.remove_booked(ledger_id, WHOLE, gone)
    left = Booked(rows.spans[1:], rows.fasteners[1:], rows.verdicts[1:], rows.gaps, rows.discrepancies)
    assert await _booked(store, ledger_id) == _sorted(left)
    assert await _booked(store, other) == _sorted(rows)


async def test_gaps_and_discrepancies_of_a_stretch_go_together(store: Store) -> None:
    gaps = [gap(seq) for seq in (2, 4, 6)]
    found = [discrepancy(seq) for seq in (1, 3, 5)]
    ledger_id = await _book(store, Booked(gaps=gaps, discrepancies=found))
    stretch = Stretch(Place(1, 2, 0), Place(1, 4, 0), {}, {}, None)
    async with store.writing() as writing:
        await writing.remove_booked(ledger_id, stretch, Booked(gaps=[gaps[1]], discrepancies=[found[1]]))
    left = await _booked(store, ledger_id)
    assert left.gaps == [gaps[0], gaps[2]]
    assert left.discrepancies == [found[0], found[2]]


async def test_many_rows_are_removed_at_once(store: Store) -> None:
    rows = Booked(
        [span("1", at, at + 1) for at in range(MANY)],
        [fastener(seq) for seq in range(1, MANY + 1)],
        [verdict(seq, "p", "1") for seq in range(1, MANY + 1)],
    )
    ledger_id = await _book(store, rows)
    gone = Booked(rows.spans[:-1], rows.fasteners[:-1], rows.verdicts[:-1])
    async with store.writing() as writing:
        await writing.remove_booked(ledger_id, WHOLE, gone)
    left = await _booked(store, ledger_id)
    assert left == Booked(rows.spans[-1:], rows.fasteners[-1:], rows.verdicts[-1:])


async def test_spans_that_overlap_a_window_come_by_cell_sorted_by_zone_and_start(store: Store) -> None:
    ours = [span("2", 5, 10), span("", 5, 20), span("2", 10, 15), span("1", 0, 10), span("10", 0, 99)]
    await _book(store, Booked(spans=ours))
    theirs = span("1", 12, 13)
    await _book(store, Booked(spans=[theirs]), B)
    async with store.reading() as reading:
        found = await reading.spans([B, A, "harbour/wing-1/none"], 10, 12)
        assert found == {A: [ours[1], ours[4], ours[2]]}
        assert await reading.spans([A, B], 10, 13) == {A: [ours[1], ours[4], ours[2]], B: [theirs]}
        assert await reading.spans([B], 13, 99) == {}
        assert await reading.spans([], 0, 99) == {}


async def test_fasteners_are_counted_by_segment_and_kind(store: Store) -> None:
    rows = [
        fastener(1, 10),
        fastener(2, 19, item="lb-8"),
        fastener(3, 19, item="lb-8"),
        fastener(4, 20, result="rework"),
        fastener(5, 30, zone="2"),
    ]
    await _book(store, Booked(fasteners=rows))
    await _book(store, Booked(fasteners=rows[:1]), B)
    async with store.reading() as reading:
        counted = await reading.count_fasteners([A], [(10, 20), (20, 30), (20, 31)])
        both = await reading.count_fasteners([A, B], [(0, 11)])
        assert await reading.count_fasteners([A], []) == []
        assert await reading.count_fasteners([], [(0, 99)]) == []
    assert sorted(counted, key=repr) == sorted(
        [
            Count(A, 0, "1", "fasten", None, None, "good", "good", 1),
            Count(A, 0, "1", "fasten", "lb-8", None, "good", "good", 2),
            Count(A, 1, "1", "fasten", None, None, "rework", "rework", 1),
            Count(A, 2, "1", "fasten", None, None, "rework", "rework", 1),
            Count(A, 2, "2", "fasten", None, None, "good", "good", 1),
        ],
        key=repr,
    )
    assert {row.cell for row in both} == {A, B}


async def test_many_segments_and_many_cells_are_counted_at_once(store: Store) -> None:
    await _book(store, Booked(fasteners=[fastener(1, 0), fastener(2, MANY - 1)], discrepancies=[discrepancy(2, 5)]))
    cells = [A, *(f"harbour/wing-1/c-{i}" for i in range(MANY))]
    segments = [(i, i + 1) for i in range(MANY)]
    async with store.reading() as reading:
        assert {row.segment for row in await reading.count_fasteners([A], segments)} == {0, MANY - 1}
        assert await reading.count_unseen([A], segments) == [(A, 0, "1", 5)]
        assert len(await reading.count_fasteners(cells, [(0, MANY)])) == 1
        assert await reading.count_unseen(cells, [(0, MANY)]) == [(A, 0, "1", 5)]


async def test_many_cells_are_read_at_once(store: Store) -> None:
    rows = Booked([span("1", 0, 9)], gaps=[gap(2)], discrepancies=[discrepancy(1)])
    await _book(store, rows)
    await _book(store, rows, B)
    async with store.writing() as writing:
        await writing.add_revisions([revision(A, 0, 9), revision(B, 0, 9)])
    cells = [B, *(f"harbour/wing-1/c-{i}" for i in range(MANY)), A]
    async with store.reading() as reading:
        assert (await reading.spans(cells, 0, 9)).keys() == {A, B}
        assert [one.row.unit for one in await reading.revisions(cells, 0, 9, 0, None)] == [A, B]
        assert [row.cell for row in await reading.gaps(cells, 0, 9)] == [A, B]
        assert [row.cell for row in await reading.discrepancies(cells, 0, 1)] == [A]


async def test_unseen_fasteners_are_summed_exactly_however_many(store: Store) -> None:
    rows = [discrepancy(seq, LARGEST, at_us=seq) for seq in range(1, 1502)]
    other = [discrepancy(1501, -2, at_us=50), discrepancy(1502, 7, at_us=50, kind="snapshot_differs")]
    await _book(store, Booked(discrepancies=rows + other))
    async with store.reading() as reading:
        assert await reading.count_unseen([A], [(1, 1501), (50, 51)]) == [
            (A, 0, "1", 1500 * LARGEST - 2),
            (A, 1, "1", LARGEST - 2),
        ]
        assert await reading.count_unseen([A], []) == []


async def test_a_verdict_replaces_the_result_that_is_counted(store: Store) -> None:
    rows = Booked(fasteners=[fastener(1, panel="p", position="1"), fastener(2, panel="p", position="2")])
    ledger_id = await _book(store, rows)
    async with store.writing() as writing:
        await writing.put_verdicts(ledger_id, {(1, 1): "reject", (9, 9): "reject"})
    async with store.reading() as reading:
        counted = await reading.count_fasteners([A], [(0, 1)])
    assert {row.result: row.number for row in counted} == {"reject": 1, "good": 1}
    async with store.writing() as writing:
        await writing.put_verdicts(ledger_id, {(1, 1): None})
        made, _ = await writing.made_at(ledger_id, [("p", "1")])
    assert made == [(rows.fasteners[0], None)]


async def test_a_fastener_that_is_booked_anew_has_no_verdict(store: Store) -> None:
    rows = Booked(fasteners=[fastener(1, panel="p", position="1")])
    ledger_id = await _book(store, rows)
    async with store.writing() as writing:
        await writing.put_verdicts(ledger_id, {(1, 1): "reject"})
        await writing.remove_booked(ledger_id, WHOLE, rows)
        await writing.add_booked([(ledger_id, rows)])
        assert await writing.made_at(ledger_id, [("p", "1")]) == ([(rows.fasteners[0], None)], [])


async def test_fasteners_and_verdicts_are_found_by_panel_and_position(store: Store) -> None:
    made = [
        fastener(1, panel="p", position="1"),
        fastener(2, panel="p", position="2"),
        fastener(3, panel="q", position="1"),
        fastener(4, panel="p"),
        fastener(5, panel="p", position="1"),
    ]
    given = [verdict(6, "p", "1"), verdict(7, "q", "2")]
    ledger_id = await _book(store, Booked(fasteners=made, verdicts=given))
    await _book(store, Booked(fasteners=made[:1]), B)
    positions = [("p", "1"), ("q", "1")]
    async with store.writing() as writing:
        found, verdicts = await writing.made_at(ledger_id, positions)
        assert sorted(found) == [(made[0], None), (made[2], None), (made[4], None)]
        assert verdicts == given[:1]
        assert await writing.made_at(ledger_id, []) == ([], [])
        many = [*positions, *(("p", f"n-{i}") for i in range(MANY))]
        assert sorted((await writing.made_at(ledger_id, many))[0]) == sorted(found)


async def test_gaps_and_discrepancies_come_by_pages_and_cells(store: Store) -> None:
    await _book(store, Booked(gaps=[gap(seq) for seq in (2, 4)], discrepancies=[discrepancy(1)]))
    await _book(store, Booked(gaps=[gap(6)], discrepancies=[discrepancy(2)]), B)
    async with store.reading() as reading:
        first = await reading.gaps([A, B], 0, 2)
        rest = await reading.gaps([A, B], first[-1].id, 2)
        assert [(row.cell, row.row) for row in first + rest] == [(A, gap(2)), (A, gap(4)), (B, gap(6))]
        assert [row.row for row in await reading.gaps([B], 0, 9)] == [gap(6)]
        assert [(row.cell, row.row) for row in await reading.discrepancies([A, B], 0, 9)] == [
            (A, discrepancy(1)),
            (B, discrepancy(2)),
        ]
        assert await reading.gaps([], 0, 9) == []
        assert await reading.discrepancies([], 0, 9) == []


async def test_revisions_that_touch_a_window_come_in_order(store: Store) -> None:
    rows = [revision(B, 20, 30), revision(A, BEFORE_1970_US, YEAR_9999_US, TEXTS[4]), revision(A, 0, 10)]
    async with store.writing() as writing:
        await writing.add_revisions(rows)
    async with store.reading() as reading:
        assert [one.row for one in await reading.revisions([A, B], 10, 20, 0, None)] == rows[1:2]
        listed = await reading.revisions([A, B], 9, 21, 0, None)
        assert [one.row for one in listed] == rows
        assert await reading.revisions([A, B], 9, 21, listed[0].id, 1) == listed[1:2]
        assert await reading.revisions([], 0, 99, 0, None) == []


def _activities(kinds: list[tuple[str, int, int]], zone: str = "1") -> list[Activity]:
    return [
        activity(seq, start_us, end_us, name=name, zone=zone) for seq, (name, start_us, end_us) in enumerate(kinds, 1)
    ]


async def _found(store: Store, start_us: int, end_us: int, zone: str = "1") -> list[int]:
    async with store.reading() as reading:
        found = await reading.activities([(A, zone), (B, "2")], start_us, end_us)
    assert found.keys() <= {(A, zone)}
    return [row.place.seq for row in found.get((A, zone), [])]


async def test_activities_reach_back_to_the_last_unload_but_one_and_not_past_the_end_of_the_window(
    store: Store,
) -> None:
    first = [("load", 0, 5), ("process", 5, 40), ("unload", 40, 60), ("load", 60, 75), ("unload", 75, 90)]
    rows = _activities([*first, ("load", 90, 91), ("unload", 100, 105), ("load", 110, 111)])
    await _book(store, Booked(activities=[*rows, activity(20, 1, 2, zone="2")]))
    await _book(store, Booked(activities=[activity(1)]), B)
    assert await _found(store, 0, 1) == [1]
    assert await _found(store, 61, 76) == [1, 2, 3, 4, 5]
    assert await _found(store, 90, 91) == [1, 2, 3, 4, 5, 6]
    assert await _found(store, 91, 100) == [4, 5, 6]
    assert await _found(store, 91, 101) == [4, 5, 6, 7]
    assert await _found(store, 900, 901) == [6, 7, 8]
    assert await _found(store, 0, 900, "2") == [20]
    async with store.reading() as reading:
        assert await reading.activities([(A, "1"), (A, "2")], 0, 2) == {
            (A, "1"): rows[:1],
            (A, "2"): [activity(20, 1, 2, zone="2")],
        }
        assert await reading.activities([], 0, 9) == {}


async def test_an_unload_whose_end_nobody_told_is_nothing_that_activities_are_read_from(store: Store) -> None:
    rows = _activities([("unload", 0, 5), ("process", 5, 6), ("unload", 7, 8), ("unload", 9, 10), ("process", 11, 12)])
    rows[2] = rows[2]._replace(ended_by="boot")
    await _book(store, Booked(activities=rows))
    assert await _found(store, 20, 21) == [2, 3, 4, 5]


@pytest.mark.parametrize("kind", ["process", "load", "setup", "unload"])
async def test_a_zone_that_tells_no_unload_is_not_read_from_its_beginning(store: Store, kind: str) -> None:
    rows = _activities([(kind, 2 * n, 2 * n + 1) for n in range(3 * ACTIVITIES_BACK)])
    rows = [row._replace(ended_by="snapshot") for row in rows]
    await _book(store, Booked(activities=rows))
    assert len(await _found(store, 2 * len(rows), 9 * len(rows))) == ACTIVITIES_BACK
    assert len(await _found(store, 0, 9 * len(rows))) == len(rows)


async def test_alarms_of_a_window_come_by_time_and_cell(store: Store) -> None:
    await _book(store, Booked(alarms=[alarm(1, 9), alarm(3, 5, subsystem="clamp"), alarm(4, 5)]))
    await _book(store, Booked(alarms=[alarm(1, 5)]), B)
    async with store.reading() as reading:
        assert await reading.alarms([A], 5, 9) == {A: [alarm(3, 5, subsystem="clamp"), alarm(4, 5)]}
        assert await reading.alarms([A, B], 9, 10) == {A: [alarm(1, 9)]}
        assert await reading.alarms([], 0, 10) == {}


async def test_activities_and_alarms_of_a_stretch_are_read_and_removed(store: Store) -> None:
    rows = Booked(activities=[activity(seq) for seq in (1, 2, 3)], alarms=[alarm(seq) for seq in (4, 5)])
    ledger_id = await _book(store, rows)
    stretch = Stretch(Place(1, 1, 0), Place(1, 4, 0), {}, {}, None)
    async with store.writing() as writing:
        found = await writing.booked(ledger_id, stretch)
        assert (found.activities, found.alarms) == (rows.activities[1:], rows.alarms[:1])
        await writing.remove_booked(ledger_id, stretch, found)
    async with store.writing() as writing:
        left = await writing.booked(ledger_id, Stretch(None, None, {}, {}, None))
    assert (left.activities, left.alarms) == (rows.activities[:1], rows.alarms[1:])
