"""What evidence reads of the Store: a cell's messages, checkpoints and gaps in the order in which they are booked."""

from collections.abc import Sequence

from tests.contract.rows import BEFORE_1970_US, LARGEST, TEXTS, YEAR_9999_US, A, B, gap
from zoneledger.application.ports import Store
from zoneledger.application.stored import Checkpoint, EventRow, Key, MessageAt, MessageRow, SnapshotRow
from zoneledger.core.rows import Booked, Place

Told = tuple[int, int, int, int]
"""A message's boot, seq, rank and time."""


async def _keep(store: Store, events: Sequence[Told], snapshots: Sequence[Told] = (), cell: str = A) -> int:
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([cell]))[cell].cell_id
        await writing.add_events(
            [EventRow(cell_id, boot, seq, us, us + 1, "wait", "{}") for boot, seq, _, us in events]
        )
        await writing.add_snapshots(
            [SnapshotRow(cell_id, boot, seq, us, '{"zones":{}}') for boot, seq, _, us in snapshots]
        )
    return cell_id


async def _after(store: Store, cell_id: int, after: MessageAt | None = None, limit: int = 99) -> list[MessageRow]:
    async with store.reading() as reading:
        return await reading.messages_after(cell_id, after, limit)


async def _first(
    store: Store, cell_id: int, at_us: int, after: Key | None = None, upto: Key | None = None
) -> Told | None:
    async with store.reading() as reading:
        found = await reading.first_reaching(cell_id, after, upto, at_us)
    return None if found is None else found[:4]


EVENTS = [(1, 1, 0, 10), (1, 2, 0, 20), (2, 1, 0, 15), (LARGEST, LARGEST, 0, YEAR_9999_US)]
SNAPSHOTS = [(1, 0, 1, 5), (1, 2, 1, 21), (1, 2, 1, 25), (2, 0, 1, BEFORE_1970_US)]
ORDER = sorted(EVENTS + SNAPSHOTS)


async def test_events_and_snapshots_come_in_one_order_page_by_page(store: Store) -> None:
    await _keep(store, [(1, 2, 0, 7)], cell=B)
    cell_id = await _keep(store, EVENTS[::-1], SNAPSHOTS[::-1])
    whole = await _after(store, cell_id)
    assert [row.at[:4] for row in whole] == ORDER
    assert [(row.type, row.arrived_us) for row in whole[:2]] == [("snapshot", None), ("wait", 11)]
    for limit in (1, 2, 3):
        pages, after = list[MessageRow](), None
        while page := await _after(store, cell_id, after, limit):
            assert len(page) <= limit
            pages, after = pages + page, page[-1].at
        assert pages == whole


async def test_snapshots_of_one_place_and_instant_are_all_told(store: Store) -> None:
    async with store.writing() as writing:
        cell_id = (await writing.lock_heads([A]))[A].cell_id
        await writing.add_snapshots([SnapshotRow(cell_id, 1, 0, 5, text) for text in TEXTS])
    first = await _after(store, cell_id, limit=3)
    rest = await _after(store, cell_id, first[-1].at)
    assert {row.body for row in first + rest} == set(TEXTS)
    assert len(first + rest) == len(TEXTS)


async def test_the_first_message_that_reaches_an_instant_is_found_between_two_events(store: Store) -> None:
    cell_id = await _keep(store, EVENTS, SNAPSHOTS)
    assert await _first(store, cell_id, 5) == (1, 0, 1, 5)
    assert await _first(store, cell_id, 6) == (1, 1, 0, 10)
    assert await _first(store, cell_id, 21) == (1, 2, 1, 21)
    assert await _first(store, cell_id, 22) == (1, 2, 1, 25)
    assert await _first(store, cell_id, 26) == (LARGEST, LARGEST, 0, YEAR_9999_US)
    assert await _first(store, cell_id, YEAR_9999_US + 1) is None
    # After an event come its snapshots; up to one come those before it.
    assert await _first(store, cell_id, 6, after=(1, 2)) == (1, 2, 1, 21)
    assert await _first(store, cell_id, 6, after=(1, 3)) == (2, 1, 0, 15)
    assert await _first(store, cell_id, 20, upto=(1, 2)) == (1, 2, 0, 20)
    assert await _first(store, cell_id, 21, upto=(1, 2)) is None
    assert await _first(store, cell_id, 21, upto=(2, 1)) == (1, 2, 1, 21)
    assert await _first(store, cell_id + 99, 5) is None


async def test_gaps_are_told_from_a_place_on(store: Store) -> None:
    gaps = [gap(9), gap(4, rank=1), gap(4), gap(2, boot=2)]
    async with store.writing() as writing:
        heads = await writing.lock_heads([A, B])
        await writing.add_booked([(heads[A].ledger_id, Booked(gaps=gaps)), (heads[B].ledger_id, Booked(gaps=[gap(5)]))])
        ledger_id = heads[A].ledger_id
        assert await writing.gaps_from(ledger_id, Place(1, 0, 0), 99) == [
            gap(4),
            gap(4, rank=1),
            gap(9),
            gap(2, boot=2),
        ]
        assert await writing.gaps_from(ledger_id, Place(1, 4, 1), 2) == [gap(4, rank=1), gap(9)]
        assert await writing.gaps_from(ledger_id, Place(2, 3, 0), 99) == []


async def test_the_next_checkpoints_are_read_without_writing(store: Store) -> None:
    rows = [Checkpoint(1, 2, "a"), Checkpoint(1, 9, "b"), Checkpoint(3, 1, "c")]
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([A]))[A].ledger_id
        await writing.put_checkpoints([(ledger_id, row) for row in rows])
    async with store.reading() as reading:
        assert await reading.next_checkpoints(ledger_id, None, 9) == rows
        assert await reading.next_checkpoints(ledger_id, (1, 2), 1) == rows[1:2]
        assert await reading.next_checkpoints(ledger_id, (1, 9), 9) == rows[2:]
