"""A ledger derived anew on every store while messages go on coming: the old one is read until the new one is whole."""

from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest

from tests.contract.payloads import activity, dumped, fastener, snapshot, verdict
from tests.contract.recording import CELL, NOW_US, WHOLE, all_kept, delivery, record
from tests.fakes.between import Between
from tests.fakes.memory_store import MemoryStore
from zoneledger.application import book, rightness
from zoneledger.application import rebuild as rebuilding
from zoneledger.application.ports import Reading, Store, Writing
from zoneledger.application.rebuild import ABANDONED_US, RebuildUnderWay, rebuild
from zoneledger.application.stored import Checkpoint, Head
from zoneledger.core.booking import Limits
from zoneledger.core.rows import Booked

Spoil = Callable[[Writing, Head], Awaitable[None]]

EVENTS = 120


def _event(seq: int) -> dict[str, Any]:
    if seq % 10 == 9:
        return verdict(seq, 2 * seq, panel="p-1", position=str(seq - 4))
    if seq % 5 == 0:
        return fastener(seq, 2 * seq, panel="p-1", position=str(seq))
    return activity(("begin", "end")[seq % 2], "process", seq, 2 * seq)


MESSAGES = [snapshot(0, 0), *map(_event, range(1, EVENTS + 1)), snapshot(EVENTS, 2 * EVENTS + 5)]
LATE = [one for one in MESSAGES if one["seq"] in (3, 40, 77, EVENTS)]
FIRST = [one for one in MESSAGES if one not in LATE]


@pytest.fixture(autouse=True)
def _small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (book, rebuilding, rightness):
        monkeypatch.setattr(module, "EVENTS_AT_ONCE", 16)
    monkeypatch.setattr(book, "EVENTS_PER_CHECKPOINT", 24)
    monkeypatch.setattr(rebuilding, "EVENTS_PER_CHECKPOINT", 24)


def _ledger_of(kept: dict[str, Any]) -> dict[str, Any]:
    """Return what follows from the messages alone: not when it was revised, and where its checkpoints are."""
    head = replace(kept["heads"][CELL], events_since_checkpoint=0)
    return {"head": head, "rows": kept[f"booked {CELL}"], "verdicts": kept[f"verdicts {CELL}"]}


async def _ledgers(store: Store) -> int:
    async with store.writing() as writing:
        return len(await writing.ledgers(CELL))


async def test_messages_that_come_during_a_rebuild_are_in_the_ledger_after_it(store: Store) -> None:
    late, spans = list(LATE), list[int]()

    async def go_on() -> None:
        if late:
            await record(store, [delivery(dumped(late.pop(0)))])
        async with store.reading() as reading:
            spans.append(await _seen(reading))

    in_order = MemoryStore()
    await record(in_order, [delivery(dumped(*MESSAGES))])
    await record(store, [delivery(dumped(*FIRST))])
    await rebuild(Between(store, go_on), CELL, lambda: NOW_US, Limits(), anew=True)
    assert late == []
    assert min(spans) > 0
    one, two = await all_kept(store), await all_kept(in_order)
    assert one[f"booked {CELL}"] == two[f"booked {CELL}"]
    assert one[f"verdicts {CELL}"] == two[f"verdicts {CELL}"]
    assert one["heads"][CELL].booking == two["heads"][CELL].booking
    assert await _ledgers(store) == 1


async def _seen(reading: Reading) -> int:
    return len((await reading.spans([CELL], 0, NOW_US)).get(CELL, ()))


@pytest.mark.parametrize("anew", [False, True])
async def test_a_right_ledger_is_the_same_after_a_rebuild_and_nothing_is_revised(anew: bool, store: Store) -> None:
    await record(store, [delivery(dumped(*FIRST))])
    before = await all_kept(store)
    assert not await rebuild(store, CELL, lambda: NOW_US, Limits(), anew=anew)
    after = await all_kept(store)
    assert _ledger_of(after) == _ledger_of(before)
    assert after["revisions"] == before["revisions"]


async def test_a_rebuild_that_was_broken_off_changes_no_figure_and_is_cleared_away(store: Store) -> None:
    await record(store, [delivery(dumped(*FIRST))])
    before, left = await all_kept(store), 4

    async def break_off() -> None:
        nonlocal left
        left -= 1
        if not left:
            raise OSError("killed")

    with pytest.raises(OSError, match="killed"):
        await rebuild(Between(store, break_off), CELL, lambda: NOW_US, Limits(), anew=True)
    assert await all_kept(store) == before
    assert await _ledgers(store) == 2
    with pytest.raises(RebuildUnderWay):
        await rebuild(store, CELL, lambda: NOW_US + ABANDONED_US // 2, Limits(), anew=True)
    assert not await rebuild(store, CELL, lambda: NOW_US + ABANDONED_US, Limits(), anew=True)
    assert await _ledgers(store) == 1
    assert _ledger_of(await all_kept(store)) == _ledger_of(before)


async def test_a_rebuild_whose_ledger_was_taken_away_stops(store: Store) -> None:
    await record(store, [delivery(dumped(*FIRST))])
    before, left = await all_kept(store), 4

    async def take_away() -> None:
        nonlocal left
        left -= 1
        if not left:
            assert not await rebuild(store, CELL, lambda: NOW_US + ABANDONED_US, Limits(), anew=True)

    with pytest.raises(RebuildUnderWay):
        await rebuild(Between(store, take_away), CELL, lambda: NOW_US, Limits(), anew=True)
    assert _ledger_of(await all_kept(store)) == _ledger_of(before)
    assert await _ledgers(store) == 1


async def test_a_right_ledger_is_left_where_it_is(store: Store) -> None:
    await record(store, [delivery(dumped(*FIRST))])
    await record(store, [delivery(dumped(*LATE))])
    before = await all_kept(store)
    assert not await rebuild(store, CELL, lambda: NOW_US, Limits())
    assert await all_kept(store) == before
    assert await _ledgers(store) == 1


def _stale(text: str, stale: bool) -> str:
    booking = book.load(text, Limits())
    booking.stale = stale
    return book.dump(booking)


async def test_a_state_that_is_to_be_looked_at_again_without_need_makes_no_ledger_wrong(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES, snapshot(EVENTS, 2 * EVENTS + 15)))])
    async with store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        rows = await writing.next_checkpoints(head.ledger_id, None, 100)
        once = [(head.ledger_id, row._replace(booking=_stale(row.booking, True))) for row in rows]
        await writing.put_checkpoints(once)
        await writing.save_heads([replace(head, booking=_stale(head.booking, True))])
        assert _stale(head.booking, True) != head.booking
    before = await all_kept(store)
    assert not await rebuild(store, CELL, lambda: NOW_US, Limits())
    assert await all_kept(store) == before


async def _spoil_what_is_to_be_looked_at_again(writing: Writing, head: Head) -> None:
    [first, *_] = await writing.next_checkpoints(head.ledger_id, None, 1)
    await writing.put_checkpoints([(head.ledger_id, first._replace(booking=_stale(first.booking, False)))])


async def _spoil_a_checkpoint(writing: Writing, head: Head) -> None:
    [first, *_] = await writing.next_checkpoints(head.ledger_id, None, 1)
    await writing.put_checkpoints([(head.ledger_id, Checkpoint(first.boot, first.seq, head.booking))])


async def _spoil_a_verdict(writing: Writing, head: Head) -> None:
    await writing.put_verdicts(head.ledger_id, {(1, 5): "rework"})


async def _spoil_the_state(writing: Writing, head: Head) -> None:
    [first, *_] = await writing.next_checkpoints(head.ledger_id, None, 1)
    await writing.save_heads([replace(head, booking=first.booking)])


async def _spoil_the_last_fastener(writing: Writing, head: Head) -> None:
    rows = await writing.booked(head.ledger_id, WHOLE)
    await writing.remove_booked(head.ledger_id, WHOLE, Booked(fasteners=rows.fasteners[-1:]))


@pytest.mark.parametrize(
    "spoil",
    [
        _spoil_a_checkpoint,
        _spoil_what_is_to_be_looked_at_again,
        _spoil_a_verdict,
        _spoil_the_state,
        _spoil_the_last_fastener,
    ],
)
async def test_whatever_is_wrong_in_a_ledger_is_right_after_a_rebuild(spoil: Spoil, store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    await rebuild(store, CELL, lambda: NOW_US, Limits(), anew=True)
    right = await all_kept(store)
    async with store.writing() as writing:
        await spoil(writing, (await writing.lock_heads([CELL]))[CELL])
    assert await all_kept(store) != right
    await rebuild(store, CELL, lambda: NOW_US, Limits())
    mended = await all_kept(store)
    assert _ledger_of(mended) == _ledger_of(right)
    assert mended[f"checkpoints {CELL}"] == right[f"checkpoints {CELL}"]
