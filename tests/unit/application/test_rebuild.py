"""A ledger derived anew from the messages: the same where it was right, mended where it was not."""

from dataclasses import replace
from typing import Any

import pytest

from tests.contract.payloads import activity, dumped, fastener, message, snapshot, verdict
from tests.contract.recording import CELL, NOW_US, WHOLE, all_kept, delivery, record
from tests.fakes.memory_store import MemoryStore
from zoneledger.application import book
from zoneledger.application.rebuild import rebuild
from zoneledger.core.booking import Booking, Limits
from zoneledger.core.messages import Message
from zoneledger.core.rows import Booked

MESSAGES = [
    snapshot(0, 0),
    activity("begin", "process", 1, 10, panel="p-1"),
    fastener(2, 20, position="1"),
    verdict(3, 30),
    snapshot(5, 60, zones={"1": {"made": 3}}),
    message(6, 70),
]


async def _recorded(store: MemoryStore) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])


@pytest.mark.parametrize("anew", [False, True])
async def test_a_right_ledger_is_the_same_after_it_was_rebuilt(anew: bool) -> None:
    store = MemoryStore()
    await _recorded(store)
    before = await all_kept(store)
    assert not await rebuild(store, CELL, lambda: NOW_US, Limits(), anew=anew)
    assert _without_checkpoints(await all_kept(store)) == _without_checkpoints(before)


def _without_checkpoints(kept: dict[str, Any]) -> dict[str, Any]:
    """Return what was kept but for where the checkpoints are, which is free."""
    heads = {cell: replace(head, events_since_checkpoint=0) for cell, head in kept["heads"].items()}
    return {name: rows for name, rows in kept.items() if not name.startswith("checkpoints")} | {"heads": heads}


async def test_a_damaged_ledger_is_mended_and_a_revision_tells_of_it() -> None:
    store = MemoryStore()
    await _recorded(store)
    right = await all_kept(store)
    async with store.writing() as writing:
        ledger_id = (await writing.lock_heads([CELL]))[CELL].ledger_id
        rows = await writing.booked(ledger_id, WHOLE)
        await writing.remove_booked(ledger_id, WHOLE, Booked(rows.spans, rows.fasteners, [], rows.gaps, []))
    assert await rebuild(store, CELL, lambda: NOW_US, Limits())
    mended = await all_kept(store)
    assert mended[f"booked {CELL}"] == right[f"booked {CELL}"]
    assert mended[f"verdicts {CELL}"] == right[f"verdicts {CELL}"]
    assert [row.cause for row in mended["revisions"]] == ["messages after a silence", "verdicts", "rebuild"]


def _event(seq: int) -> dict[str, Any]:
    phase = ("begin", "end")[seq % 2]
    return activity(phase, "process", seq, 2 * seq) if seq % 5 else fastener(seq, 2 * seq)


@pytest.mark.parametrize("batch", [1, 7, 300])
async def test_a_late_message_rewrites_only_from_its_place_and_gives_the_same_as_in_order(
    batch: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(book, "EVENTS_PER_CHECKPOINT", 8)
    monkeypatch.setattr(book, "EVENTS_AT_ONCE", 16)
    events = [snapshot(0, 0), *map(_event, range(1, 200))]
    in_order, late = MemoryStore(), MemoryStore()
    await record(in_order, [delivery(dumped(*events))])
    rest = [one for one in events if one["seq"] != 40]
    for first in range(0, len(rest), batch):
        await record(late, [delivery(dumped(*rest[first : first + batch]))])
    await record(late, [delivery(dumped(*[one for one in events if one["seq"] == 40]))])
    one, two = await all_kept(in_order), await all_kept(late)
    assert one[f"booked {CELL}"] == two[f"booked {CELL}"]
    assert one["heads"][CELL].booking == two["heads"][CELL].booking
    assert {row.unit for row in two["revisions"]} == {CELL}
    assert [row.cause for row in two["revisions"]].count("late messages") == 1


async def test_late_messages_far_apart_do_not_rewrite_what_lies_between_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book, "EVENTS_PER_CHECKPOINT", 8)
    monkeypatch.setattr(book, "EVENTS_AT_ONCE", 16)
    snapshots = [snapshot(seq, 2 * seq, zones={"1": {}}) for seq in range(0, 400, 10)]
    events = [*map(_event, range(1, 400)), *snapshots]
    late = [one for one in events if one["seq"] in (21, 22, 24, 201, 391)]
    in_order, store = MemoryStore(), MemoryStore()
    await record(in_order, [delivery(dumped(*events))])
    await record(store, [delivery(dumped(*(one for one in events if one not in late)))])
    folded, inner = [], Booking.add

    def add(booking: Booking, told: Message) -> None:
        folded.append(told.seq)
        inner(booking, told)

    monkeypatch.setattr(Booking, "add", add)
    await record(store, [delivery(dumped(*late))])
    monkeypatch.undo()
    one, two = await all_kept(in_order), await all_kept(store)
    assert one[f"booked {CELL}"] == two[f"booked {CELL}"]
    assert one["heads"][CELL].booking == two["heads"][CELL].booking
    assert {21, 22, 24, 201, 391} <= set(folded)
    assert len(folded) < 120, folded
    assert not await rebuild(store, CELL, lambda: NOW_US, Limits())
