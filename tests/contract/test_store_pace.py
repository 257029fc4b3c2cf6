"""What a pace reads of the Store: fasteners counted by zone in each of the equal pieces of a window."""

from collections.abc import Sequence

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.contract.rows import A, B, fastener
from zoneledger.application.ports import Store
from zoneledger.application.stored import PaceCount
from zoneledger.core.rows import Booked, Fastener

MONTH_US = 31 * 86_400_000_000
#: Of 2026: microseconds that do not fit into 53 bits once they are multiplied by 500.
BEGIN_US = 1_767_225_600_000_000


async def _book(
    store: Store, rows: Sequence[Fastener], cell: str = A, verdicts: Sequence[tuple[int, str]] = ()
) -> None:
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([cell]))[cell].ledger_id
        await writing.add_booked([(ledger_id, Booked(fasteners=list(rows)))])
        await writing.put_verdicts(ledger_id, {(1, seq): result for seq, result in verdicts})


async def _paced(
    store: Store,
    window: tuple[int, int],
    parts: int,
    *,
    cells: Sequence[str] = (A,),
    zone: str | None = None,
    until_us: int | None = None,
) -> list[PaceCount]:
    async with store.reading() as reading:
        until_us = window[1] if until_us is None else until_us
        return sorted(await reading.count_paced(cells, zone, window, until_us, parts))


async def test_fasteners_are_counted_by_cell_zone_and_piece_after_verdicts(store: Store) -> None:
    rows = [fastener(seq, at_us) for seq, at_us in enumerate([99, 100, 109, 110, 110, 129, 130], 1)]
    await _book(store, [*rows, fastener(8, 115, zone="2", result="rework")], verdicts=[(2, "reject"), (8, "good")])
    await _book(store, [fastener(1, 105, result="reject")], B)
    assert await _paced(store, (100, 130), 3) == [
        PaceCount(A, "1", 0, 2, 1),
        PaceCount(A, "1", 1, 2, 2),
        PaceCount(A, "1", 2, 1, 1),
        PaceCount(A, "2", 1, 1, 1),
    ]
    assert await _paced(store, (100, 130), 1, cells=[B, A, "nowhere"]) == [
        PaceCount(A, "1", 0, 5, 4),
        PaceCount(A, "2", 0, 1, 1),
        PaceCount(B, "1", 0, 1, 0),
    ]
    assert await _paced(store, (100, 130), 3, zone="2") == [PaceCount(A, "2", 1, 1, 1)]
    assert await _paced(store, (100, 130), 3, until_us=110) == [PaceCount(A, "1", 0, 2, 1)]
    assert await _paced(store, (100, 130), 3, until_us=100) == []
    assert await _paced(store, (100, 130), 3, cells=[]) == []


@pytest.mark.parametrize("parts", [1, 7, 96, 499, 500])
async def test_the_longest_window_is_cut_to_the_microsecond(store: Store, parts: int) -> None:
    edges = [BEGIN_US - (-piece * MONTH_US // parts) for piece in range(parts + 1)]
    rows = [fastener(seq, at_us) for seq, at_us in enumerate([us for edge in edges for us in (edge - 1, edge)], 1)]
    await _book(store, rows)
    found = await _paced(store, (BEGIN_US, BEGIN_US + MONTH_US), parts)
    assert found == [PaceCount(A, "1", piece, 2, 2) for piece in range(parts)]


@settings(deadline=None, max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
async def test_every_fastener_of_a_window_is_in_exactly_one_piece(
    three_stores: dict[str, Store], data: st.DataObject
) -> None:
    seq = data.draw(st.integers(1, 2**40)) * 100
    begin_us = data.draw(st.integers(-(10**15), 10**16))
    length_us = data.draw(st.integers(1, MONTH_US))
    parts = data.draw(st.integers(1, 500))
    passed = data.draw(st.lists(st.integers(-2, length_us + 2), max_size=8))
    window, found = (begin_us, begin_us + length_us), []
    cell = f"{A}-{seq}"
    for store in three_stores.values():
        await _book(store, [fastener(seq + i, begin_us + us) for i, us in enumerate(passed)], cell)
        found.append(await _paced(store, window, parts, cells=[cell]))
    assert found[0] == found[1] == found[2]
    assert sum(row.made for row in found[0]) == sum(0 <= us < length_us for us in passed)
    assert all(0 <= row.piece < parts for row in found[0])
