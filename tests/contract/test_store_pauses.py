"""The Store port: pauses between fasteners, and fasteners that are not good."""

from collections.abc import Sequence

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.contract.rows import BEFORE_1970_US, LARGEST, TEXTS, YEAR_9999_US, A, B, fastener
from tests.contract.stores import Stores
from zoneledger.application.ports import Store
from zoneledger.application.stored import DefectCount, PanelCount, PausesAsked
from zoneledger.core.minor_stops import Cut, Pause
from zoneledger.core.rows import Booked, Fastener

MANY = 2_000


def _asked(
    cell: str, zone: str, longer_us: int, since_us: int = BEFORE_1970_US, until_us: int = YEAR_9999_US
) -> PausesAsked:
    return PausesAsked(cell, zone, longer_us, since_us, until_us)


async def _book(store: Store, rows: Sequence[Fastener], cell: str = A) -> int:
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([cell]))[cell].ledger_id
        await writing.add_booked([(ledger_id, Booked(fasteners=list(rows)))])
    return ledger_id


async def _pauses(store: Store, longer_us: int, start_us: int, end_us: int, zone: str = "") -> list[tuple[int, int]]:
    """Return the pauses of A from when to when, -1 where there is no fastener."""
    async with store.reading() as reading:
        found = await reading.pauses([_asked(A, zone, longer_us)], start_us, end_us)
    assert found.keys() == {(A, zone)}
    return [(one.before.at_us if one.before else -1, one.after.at_us if one.after else -1) for one in found[A, zone]]


async def test_pauses_longer_than_asked_come_in_order_with_what_is_before_the_first_and_after_the_last(
    store: Store,
) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 20), fastener(3, 31), fastener(4, 50)])
    assert await _pauses(store, 10, 0, 99) == [(-1, 10), (20, 31), (31, 50), (50, -1)]
    assert await _pauses(store, 11, 0, 99) == [(-1, 10), (31, 50), (50, -1)]
    assert await _pauses(store, 0, 12, 19) == [(10, 20)]
    assert await _pauses(store, 99, 12, 19) == []


async def test_a_pause_that_only_reaches_into_the_window_is_whole(store: Store) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 40), fastener(3, 90)])
    assert await _pauses(store, 5, 30, 60) == [(10, 40), (40, 90)]
    assert await _pauses(store, 5, 41, 42) == [(40, 90)]
    assert await _pauses(store, 5, 0, 5) == [(-1, 10)]
    assert await _pauses(store, 5, 95, 99) == [(90, -1)]


async def test_fasteners_are_looked_for_no_further_than_asked(store: Store) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 40), fastener(3, 90)])
    for since_us, until_us, wanted in ((11, 89, [(-1, 40), (40, -1)]), (10, 90, [(10, 40), (40, 90)])):
        async with store.reading() as reading:
            found = await reading.pauses([_asked(A, "1", 5, since_us, until_us)], 30, 60)
        assert [(p.before.at_us if p.before else -1, p.after.at_us if p.after else -1) for p in found[A, "1"]] == wanted
    async with store.reading() as reading:
        assert await reading.pauses([_asked(A, "1", 5, 45, 55)], 50, 51) == {(A, "1"): [Pause(None, None)]}


async def test_a_pause_that_ends_where_the_window_begins_or_begins_where_it_ends_is_outside(store: Store) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 40), fastener(3, 90)])
    assert await _pauses(store, 5, 40, 90) == [(40, 90)]
    assert await _pauses(store, 5, 0, 10) == [(-1, 10)]
    assert await _pauses(store, 5, 90, 99) == [(90, -1)]


async def test_without_a_fastener_all_time_is_one_pause(store: Store) -> None:
    await _book(store, [fastener(1, 10)])
    async with store.reading() as reading:
        asked = [_asked(A, "2", 5), _asked(B, "", 5), _asked("harbour/wing-1/none", "1", 5)]
        found = await reading.pauses(asked, 0, 99)
        assert found == {(one.cell, one.zone): [Pause(None, None)] for one in asked}
        assert await reading.pauses([], 0, 99) == {}


async def test_a_zones_pauses_lie_between_its_own_fasteners(store: Store) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 20, zone="2"), fastener(3, 30), fastener(4, 40, zone="2")])
    assert await _pauses(store, 5, 0, 99, "1") == [(-1, 10), (10, 30), (30, -1)]
    assert await _pauses(store, 5, 0, 99, "2") == [(-1, 20), (20, 40), (40, -1)]
    assert await _pauses(store, 5, 0, 99) == [(-1, 10), (10, 20), (20, 30), (30, 40), (40, -1)]


async def test_each_cell_and_zone_has_its_own_limit(store: Store) -> None:
    await _book(store, [fastener(1, 10), fastener(2, 20)])
    await _book(store, [fastener(1, 10), fastener(2, 25)], B)
    async with store.reading() as reading:
        found = await reading.pauses(
            [_asked(A, "", 9), _asked(A, "1", 10), _asked(B, "", 14), _asked(B, "1", 15)], 11, 15
        )
    assert {unit: len(pauses) for unit, pauses in found.items()} == {(A, ""): 1, (A, "1"): 0, (B, ""): 1, (B, "1"): 0}


async def test_of_fasteners_of_one_instant_the_last_begins_a_pause_and_the_first_ends_one(store: Store) -> None:
    rows = [
        fastener(1, 10, item="a", boot=2),
        fastener(9, 10, item="b"),
        fastener(8, 50, item="c", boot=2),
        fastener(7, 50, item="d", boot=2),
    ]
    await _book(store, rows)
    async with store.reading() as reading:
        found = await reading.pauses([_asked(A, "", 5)], 20, 60)
    between = Pause(Cut(10, "fasten", "a", None), Cut(50, "fasten", "d", None))
    assert found[A, ""] == [between, Pause(Cut(50, "fasten", "c", None), None)]


async def test_pauses_keep_every_value(store: Store) -> None:
    first = fastener(1, BEFORE_1970_US, item=TEXTS[2])._replace(program=TEXTS[4])
    last = fastener(LARGEST, YEAR_9999_US, boot=LARGEST, item=TEXTS[5])._replace(operation="drill", program=TEXTS[1])
    await _book(store, [first, last])
    async with store.reading() as reading:
        (found,) = (await reading.pauses([_asked(A, "1", LARGEST)], 0, 1)).values()
    before, after = (Cut(row.at_us, row.operation, row.item, row.program) for row in (first, last))
    assert found == [Pause(before, after)]


async def test_the_pauses_of_many_cells_are_read_at_once(store: Store) -> None:
    await _book(store, [fastener(seq, seq * 10) for seq in range(1, MANY)])
    asked = [_asked(A, "", 9), *(_asked(f"harbour/wing-1/c-{i}", "", 9) for i in range(MANY))]
    async with store.reading() as reading:
        found = await reading.pauses(asked, 0, MANY * 10)
    assert len(found[A, ""]) == MANY
    assert len(found) == MANY + 1


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    made=st.lists(st.tuples(st.integers(0, 12), st.sampled_from("12")), max_size=12),
    start_us=st.integers(-1, 13),
    length_us=st.integers(1, 6),
    longer_us=st.integers(0, 5),
    reach=st.tuples(st.integers(-1, 13), st.integers(-1, 20)),
)
async def test_every_store_finds_the_same_pauses(
    three_stores: dict[str, Store],
    stores: Stores,
    made: list[tuple[int, str]],
    start_us: int,
    length_us: int,
    longer_us: int,
    reach: tuple[int, int],
) -> None:
    rows = [fastener(seq, at_us, zone=zone) for seq, (at_us, zone) in enumerate(made, start=1)]
    asked = [_asked(A, zone, longer_us, *reach) for zone in ("", "1", "2")]
    found = []
    for url in three_stores:
        store = await stores.empty(url)
        await _book(store, rows)
        async with store.reading() as reading:
            found.append(await reading.pauses(asked, start_us, start_us + length_us))
    assert found[1:] == [found[0], found[0]]


async def test_fasteners_are_counted_by_segment_zone_panel_and_result_after_verdicts(store: Store) -> None:
    rows = [
        fastener(1, 10, panel="p", position="r1"),
        fastener(2, 11, panel="p", position="r2"),
        fastener(3, 12, panel="q", result="rework"),
        fastener(4, 13, zone="2", result="reject"),
        fastener(5, 20, panel=TEXTS[4]),
    ]
    ledger_id = await _book(store, rows)
    await _book(store, rows[:2], B)
    async with store.writing() as writing:
        await writing.put_verdicts(ledger_id, {(1, 2): "reject"})
    async with store.reading() as reading:
        found = await reading.count_by_panel([A], [(0, 20), (20, 21)])
        assert await reading.count_by_panel([], [(0, 20)]) == []
        assert await reading.count_by_panel([A], []) == []
    assert sorted(found, key=repr) == sorted(
        [
            PanelCount(A, 0, "1", "p", "good", 1),
            PanelCount(A, 0, "1", "p", "reject", 1),
            PanelCount(A, 0, "1", "q", "rework", 1),
            PanelCount(A, 0, "2", None, "reject", 1),
            PanelCount(A, 1, "1", TEXTS[4], "good", 1),
        ],
        key=repr,
    )


async def test_fasteners_that_are_not_good_are_counted_by_segment_kind_and_position(store: Store) -> None:
    rows = [
        fastener(1, 10, panel="p", position="r1"),
        fastener(2, 11, item="lb-8", panel="p", position="r2", result="rework"),
        fastener(3, 12, item="lb-8", panel="q", position="r2", result="rework"),
        fastener(4, 13, zone="2", result="reject"),
        fastener(5, 20, panel="p", position="r5", result="reject"),
    ]
    ledger_id = await _book(store, rows)
    await _book(store, rows[:2], B)
    async with store.writing() as writing:
        await writing.put_verdicts(ledger_id, {(1, 1): "reject", (1, 3): "good", (1, 5): "rework"})
    async with store.reading() as reading:
        found = await reading.count_defects([A], [(0, 20), (20, 21)])
        assert await reading.count_defects([], [(0, 20)]) == []
        assert await reading.count_defects([A], []) == []
    assert sorted(found, key=repr) == sorted(
        [
            DefectCount(A, 0, "1", "fasten", None, None, "r1", "reject", 1),
            DefectCount(A, 0, "1", "fasten", "lb-8", None, "r2", "rework", 1),
            DefectCount(A, 0, "2", "fasten", None, None, None, "reject", 1),
            DefectCount(A, 1, "1", "fasten", None, None, "r5", "rework", 1),
        ],
        key=repr,
    )
