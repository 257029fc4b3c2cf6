"""Messages and ledgers that are forgotten on every store: what is left stays as it was, and goes on as if nothing were gone."""

from contextlib import asynccontextmanager
from typing import Any

import pytest

from tests.contract.payloads import activity, dumped, fastener, snapshot, verdict
from tests.contract.recording import CELL, NOW_US, TWIN, all_kept, delivery, record
from tests.contract.rows import refused
from tests.contract.test_renewal import make_older
from tests.fakes.between import Between
from tests.fakes.memory_store import MemoryStore
from zoneledger.application import book, rightness
from zoneledger.application import rebuild as rebuild_module
from zoneledger.application.ledger import read_spans
from zoneledger.application.ports import Store
from zoneledger.application.rebuild import ABANDONED_US, rebuild
from zoneledger.application.renewal import renew
from zoneledger.application.retention import Keeping, forget
from zoneledger.application.stored import RefusedRow, Revision
from zoneledger.core.booking import Limits
from zoneledger.core.rows import Activity
from zoneledger.core.spans import Span, clip
from zoneledger.core.validation import parse_instant

EVENTS, EACH_S, PER_CHECKPOINT = 120, 2, 8
LIMITS = Limits()


def _event(seq: int) -> dict[str, Any]:
    if seq % 10 == 9:
        return verdict(seq, EACH_S * seq, panel="p-1", position=str(seq - 4))
    if seq % 5 == 0:
        return fastener(seq, EACH_S * seq, panel="p-1", position=str(seq))
    return activity(("begin", "end")[seq % 2], "process", seq, EACH_S * seq)


MESSAGES = [snapshot(0, 0), *map(_event, range(1, EVENTS + 1)), snapshot(EVENTS, EACH_S * EVENTS + 5)]
BEGIN_US = parse_instant("at", MESSAGES[0]["at"])


def _at(seq: float) -> int:
    """Return when event `seq` was, in microseconds."""
    return BEGIN_US + round(EACH_S * seq * 1e6)


def _keeping(messages_since: float, ledger_since: float | None = None) -> Keeping:
    """Return what keeps messages since that event, and the ledger."""
    return Keeping(NOW_US - _at(messages_since), None if ledger_since is None else NOW_US - _at(ledger_since))


async def _forget(store: Store, keeping: Keeping) -> None:
    await forget(store, keeping, lambda: NOW_US, LIMITS)


@pytest.fixture(autouse=True)
def _small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (book, rebuild_module):
        monkeypatch.setattr(module, "EVENTS_PER_CHECKPOINT", PER_CHECKPOINT)
    for module in (book, rebuild_module, rightness):
        monkeypatch.setattr(module, "EVENTS_AT_ONCE", 16)
    monkeypatch.setattr("zoneledger.application.retention.ROWS_AT_ONCE", 5)
    monkeypatch.setattr("zoneledger.application.retention.CHECKPOINTS_AT_ONCE", 3)
    monkeypatch.setattr(rebuild_module, "ROWS_AT_ONCE", 5)


def _ledger_of(kept: dict[str, Any]) -> dict[str, Any]:
    return {"booking": kept["heads"][CELL].booking} | {name: kept[f"{name} {CELL}"] for name in ("booked", "verdicts")}


def _seqs(kept: dict[str, Any]) -> list[int]:
    return [key[1] for key, _ in kept[f"events {CELL}"]]


async def test_forgotten_messages_leave_the_ledger_as_it_is(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES)), delivery(dumped(*MESSAGES[:4]), TWIN)])
    before = await all_kept(store)
    await _forget(store, _keeping(60))
    after = await all_kept(store)
    assert _ledger_of(after) == _ledger_of(before)
    assert after["revisions"] == before["revisions"]
    last_gone = after["heads"][CELL].kept_after[1]
    assert 60 - PER_CHECKPOINT <= last_gone < 60
    assert _seqs(after) == list(range(last_gone + 1, EVENTS + 1))
    assert len(after[f"snapshots {CELL}"]) == 1
    assert after[f"events {TWIN}"] == before[f"events {TWIN}"]
    assert after["heads"][TWIN] == before["heads"][TWIN]


async def test_nothing_is_forgotten_while_it_is_kept(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    before = await all_kept(store)
    await _forget(store, _keeping(-10, -20))
    assert await all_kept(store) == before


@pytest.mark.parametrize("keeping", [_keeping(60), _keeping(60, 30), _keeping(60, 60)])
async def test_late_messages_after_it_are_booked_as_if_nothing_were_gone(store: Store, keeping: Keeping) -> None:
    late = [one for one in MESSAGES if one["seq"] in (61, 63, 85, 90, 99)]
    rest = [one for one in MESSAGES if one not in late]
    whole = MemoryStore()
    await record(whole, [delivery(dumped(*rest))])
    await record(whole, [delivery(dumped(*late))])
    await _forget(whole, keeping)
    await record(store, [delivery(dumped(*rest))])
    await _forget(store, keeping)
    await record(store, [delivery(dumped(*late))])
    one, other = await all_kept(store), await all_kept(whole)
    assert _ledger_of(one) == _ledger_of(other)
    assert _seqs(one) == _seqs(other)


async def test_messages_from_before_it_are_refused_and_change_nothing(store: Store) -> None:
    missing = [one for one in MESSAGES if one["seq"] == 20]
    await record(store, [delivery(dumped(*(one for one in MESSAGES if one not in missing)))])
    await _forget(store, _keeping(60))
    before = await all_kept(store)
    last = before["heads"][CELL].kept_after[1]
    again = [
        missing[0],
        MESSAGES[30],
        MESSAGES[last],
        MESSAGES[last + 1],
        snapshot(0, 0),
    ]
    (receipt,) = await record(store, [delivery(dumped(*again))])
    assert [(one.index, one.reason) for one in receipt.refused] == [(i, "not_kept") for i in (0, 1, 2, 4)]
    assert (receipt.duplicate, receipt.stored) == (1, 0)
    after = await all_kept(store)
    assert after[f"booked {CELL}"] == before[f"booked {CELL}"]
    assert [row.reason for row in after["refused"]] == ["not_kept"] * 4


@pytest.mark.parametrize("keeping", [_keeping(60), _keeping(60, 30), _keeping(60, 60), _keeping(119, 100)])
async def test_a_ledger_rebuilt_from_what_is_left_is_the_same(store: Store, keeping: Keeping) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    await _forget(store, keeping)
    before = await all_kept(store)
    assert not await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)
    after = await all_kept(store)
    assert _ledger_of(after) == _ledger_of(before)
    await _forget(store, keeping)
    assert _seqs(await all_kept(store)) == _seqs(before)
    assert not await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)


async def test_a_rebuild_mends_what_has_messages_and_takes_over_what_has_none(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    await _forget(store, _keeping(60))
    right = _ledger_of(await all_kept(store))
    async with store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        await writing.put_verdicts(head.ledger_id, {(1, 65): "reject", (1, 115): None})
    assert _ledger_of(await all_kept(store)) != right
    assert await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)
    assert _ledger_of(await all_kept(store)) == right


async def test_the_forgotten_part_of_a_ledger_is_gone_and_the_rest_as_it_was(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    async with store.reading() as reading:
        before = await read_spans(reading, await reading.heads([CELL]), BEGIN_US, NOW_US, NOW_US, LIMITS)
    rows_before = await all_kept(store)
    await _forget(store, _keeping(80, 60))
    async with store.reading() as reading:
        heads = await reading.heads([CELL])
        after = await read_spans(reading, heads, BEGIN_US, NOW_US, NOW_US, LIMITS)
    from_us = heads[CELL].ledger_from_us
    assert from_us is not None
    assert _at(60 - PER_CHECKPOINT) <= from_us < _at(60)
    assert after.keys() == before.keys()
    for unit, spans in after.items():
        assert spans[0] == Span(BEGIN_US, from_us, "unknown", "not_kept")
        assert spans[1:] == clip(before[unit], from_us, NOW_US)
    rows = await all_kept(store)
    for old, new in zip(rows_before[f"booked {CELL}"][1:], rows[f"booked {CELL}"][1:], strict=True):
        assert new == [row for row in old if row in new]
    made = rows[f"booked {CELL}"][1]
    assert [row.seq for row in made] == [row.seq for row in rows_before[f"booked {CELL}"][1] if row.at_us > from_us]


class _BrokenOff:
    """A store that fails after so many transactions."""

    def __init__(self, store: Store, transactions: int) -> None:
        self._store = store
        self._left = transactions

    def reading(self) -> Any:
        return self._store.reading()

    @asynccontextmanager
    async def writing(self) -> Any:
        if not self._left:
            raise OSError("killed")
        self._left -= 1
        async with self._store.writing() as writing:
            yield writing

    async def stamp(self, basis: Any) -> Any:
        return await self._store.stamp(basis)

    async def close(self) -> None:
        await self._store.close()


@pytest.mark.parametrize("transactions", [1, 2, 5, 9, 14])
async def test_forgetting_that_was_broken_off_goes_on_the_next_time(store: Store, transactions: int) -> None:
    unbroken = MemoryStore()
    for each in (store, unbroken):
        await record(each, [delivery(dumped(*MESSAGES))])
    await _forget(unbroken, _keeping(80, 60))
    try:
        await forget(_BrokenOff(store, transactions), _keeping(80, 60), lambda: NOW_US, LIMITS)
    except OSError:
        assert not await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)
    await _forget(store, _keeping(80, 60))
    one, other = await all_kept(store), await all_kept(unbroken)
    assert _ledger_of(one) == _ledger_of(other)
    assert _seqs(one) == _seqs(other)
    assert one[f"snapshots {CELL}"] == other[f"snapshots {CELL}"]


async def test_a_cell_whose_ledger_is_being_rebuilt_has_its_turn_later(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    async with store.writing() as writing:
        await writing.begin_ledger(CELL, NOW_US)
    before = await all_kept(store)
    await _forget(store, _keeping(60))
    assert await all_kept(store) == before
    await forget(store, Keeping(NOW_US - _at(60), None), lambda: NOW_US + ABANDONED_US, LIMITS)
    assert len(_seqs(await all_kept(store))) < EVENTS


def _arrived(at_us: int) -> RefusedRow:
    return refused()._replace(arrived_us=at_us, cell=CELL)


async def test_refused_messages_go_with_the_messages(store: Store) -> None:
    async with store.writing() as writing:
        await writing.add_refused([_arrived(at_us) for at_us in (_at(10), _at(59), _at(61))])
    await _forget(store, _keeping(60))
    assert [row.arrived_us for row in (await all_kept(store))["refused"]] == [_at(61)]


async def test_changes_of_the_past_go_with_the_ledger_and_no_earlier(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    times = [
        (CELL, _at(10)),
        (CELL, _at(61)),
        ("harbour/wing-1", _at(10)),
        (f"{CELL}/2", _at(10)),
        (f"{CELL}/2", _at(61)),
    ]
    async with store.writing() as writing:
        await writing.add_revisions([Revision(unit, 0, to_us, NOW_US, "late messages") for unit, to_us in times])
    before = await all_kept(store)
    await _forget(store, _keeping(80))
    assert (await all_kept(store))["revisions"] == before["revisions"]
    await _forget(store, _keeping(80, 60))
    after = await all_kept(store)
    from_us = after["heads"][CELL].ledger_from_us
    assert after["revisions"] == [row for row in before["revisions"] if row.to_us >= from_us]
    assert len(after["revisions"]) == len(before["revisions"]) - 1
    async with store.reading() as reading:
        assert len(await reading.revisions(["harbour/wing-1"], 0, NOW_US, 0, None)) == 1
        assert [one.row.to_us for one in await reading.revisions([f"{CELL}/2"], 0, NOW_US, 0, None)] == [_at(61)]


async def test_a_snapshot_that_tells_of_the_last_forgotten_event_during_a_rebuild_costs_nothing(store: Store) -> None:
    """A cell that has been idle since, whose snapshots go on."""
    await record(store, [delivery(dumped(*MESSAGES[: 1 + 3 * PER_CHECKPOINT]))])
    await _forget(store, _keeping(EVENTS))
    before = await all_kept(store)
    last = before["heads"][CELL].kept_after[1]
    assert last == 3 * PER_CHECKPOINT
    assert _seqs(before) == []
    snapshots = [snapshot(last, EACH_S * last + number) for number in range(1, 30)]

    async def tell() -> None:
        if snapshots:
            await record(store, [delivery(dumped(snapshots.pop(0)))])

    assert not await rebuild(Between(store, tell), CELL, lambda: NOW_US, LIMITS, anew=True)
    after = await all_kept(store)
    made, gaps = after[f"booked {CELL}"][1], after[f"booked {CELL}"][3]
    assert made == before[f"booked {CELL}"][1]
    assert gaps == []
    assert not await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)


async def test_a_renewed_ledger_tells_from_when_on_it_has_activities_where_messages_are_gone(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    await _forget(store, _keeping(60))
    await make_older(store)
    assert await renew(store, lambda: NOW_US, LIMITS)
    kept = await all_kept(store)
    head, rows = kept["heads"][CELL], [row for rows in kept[f"booked {CELL}"] for row in rows]
    assert head.derived_from_us == _at(head.kept_after[1])
    derived = [row for row in rows if isinstance(row, Activity)]
    assert derived
    assert min(row.end_us for row in derived) > head.derived_from_us
    await rebuild(store, CELL, lambda: NOW_US, LIMITS, anew=True)
    again = await all_kept(store)
    assert again["heads"][CELL].derived_from_us == head.derived_from_us


async def test_a_renewed_ledger_whose_messages_are_kept_has_all_activities(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    await make_older(store)
    assert await renew(store, lambda: NOW_US, LIMITS)
    assert (await all_kept(store))["heads"][CELL].derived_from_us is None
