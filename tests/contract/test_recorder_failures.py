"""The Recorder when storing fails: nothing half-kept, nobody kept waiting, no good delivery behind a bad one."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from tests.contract.payloads import dumped, message, snapshot
from tests.contract.recording import CELL, TWIN, all_kept, delivery, record, recorder_on, recording
from tests.fakes.failing_store import FailingStore, once, whenever
from tests.fakes.memory_store import MemoryStore
from tests.servers.programs import wait_until
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.ports import Store, Writing
from zoneledger.core.errors import StoreUnavailable

SOON_S = 10.0


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL, "zoneledger.application.recorder")


async def _settle(store: Store, deliveries: list[Delivery]) -> list[Receipt | BaseException]:
    async with recording(store) as recorder:
        waiting = [recorder.record(one) for one in deliveries]
        return await asyncio.wait_for(asyncio.gather(*waiting, return_exceptions=True), SOON_S)


@pytest.mark.parametrize("method", ["lock_heads", "add_events", "add_booked", "save_heads", "commit"])
async def test_an_outage_leaves_nothing_and_the_same_deliveries_are_taken_later(store: Store, method: str) -> None:
    deliveries = [delivery(dumped(snapshot(), message())), delivery(b"{"), delivery(dumped(message()), TWIN)]
    away = FailingStore(store, once(method, StoreUnavailable("gone")))
    before = await all_kept(store)
    answers = await _settle(away, deliveries)
    assert [type(one) for one in answers] == [StoreUnavailable] * 3
    assert await all_kept(store) == before
    receipts = await record(away, deliveries)
    assert [one.stored for one in receipts] == [2, 0, 1]


async def test_a_recorder_says_that_it_cannot_write_and_finds_out_by_itself_when_it_can_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("zoneledger.application.recorder.TRY_AGAIN_S", 0.0)
    full, tries = True, 0

    def failure(name: str, _: Any) -> Exception | None:
        nonlocal tries
        tries += name == "begin_ledger"
        return StoreUnavailable("full") if full and name == "commit" else None

    before = await all_kept(store)
    async with recording(FailingStore(store, failure)) as recorder:
        assert recorder.writes
        with pytest.raises(StoreUnavailable):
            await asyncio.wait_for(recorder.record(delivery(b"{")), SOON_S)
        assert not recorder.writes
        await asyncio.to_thread(wait_until, lambda: tries >= 3, "the third try")
        assert not recorder.writes
        full = False
        await asyncio.to_thread(wait_until, lambda: recorder.writes, "the recorder writes")
    assert await all_kept(store) == before
    async with store.writing() as writing:
        assert await writing.ledgers("") == {}


def _holds_poison(rows: Any) -> bool:
    return any("poison" in row.body for row in rows)


async def test_a_delivery_that_makes_the_service_fail_is_refused_and_blocks_no_other(store: Store) -> None:
    failing = FailingStore(store, whenever("add_events", _holds_poison, RuntimeError("a bug")))
    poison = delivery(dumped(message(2), message(3, note="poison")))
    group = [delivery(dumped(snapshot(), message(1))), poison, delivery(dumped(message(4)))]
    receipts = await record(failing, group)
    assert [one.stored for one in receipts] == [2, 0, 1]
    assert [(one.index, one.reason) for one in receipts[1].refused] == [(0, "internal_error")]
    assert (await record(failing, [delivery(dumped(message(5)))]))[0].stored == 1
    kept = await all_kept(store)
    assert [key for key, _ in kept[f"events {CELL}"]] == [(1, 1), (1, 4), (1, 5)]
    assert [(row.reason, row.body) for row in kept["refused"]] == [("internal_error", poison.payload)]


async def test_a_failure_of_one_moment_costs_nothing(store: Store) -> None:
    failing = FailingStore(store, once("save_heads", RuntimeError("a deadlock")))
    receipts = await record(failing, [delivery(dumped(message(1))), delivery(dumped(message(2)))])
    assert [(one.stored, one.refused) for one in receipts] == [(1, []), (1, [])]


async def test_a_failure_while_refusing_keeps_nobody_waiting(store: Store) -> None:
    failing = FailingStore(store, whenever("add_refused", bool, RuntimeError("a bug")))
    async with recording(failing) as recorder:
        waiting = [recorder.record(one) for one in (delivery(b"{"), delivery(dumped(message(1))), delivery(b"["))]
        answers = await asyncio.wait_for(asyncio.gather(*waiting, return_exceptions=True), SOON_S)
        later = await asyncio.wait_for(recorder.record(delivery(dumped(message(2)))), SOON_S)
    assert [type(one) for one in answers] == [StoreUnavailable, Receipt, StoreUnavailable]
    assert later.stored == 1


async def test_an_outage_while_deliveries_are_recorded_singly_leaves_the_rest_to_be_handed_in_again(
    store: Store,
) -> None:
    errors: list[Exception] = [RuntimeError("a bug"), StoreUnavailable("gone")]
    failing = FailingStore(store, lambda name, _: errors.pop(0) if name == "save_heads" and errors else None)
    async with recording(failing) as recorder:
        waiting = [recorder.record(delivery(dumped(message(seq)))) for seq in (1, 2)]
        answers = await asyncio.wait_for(asyncio.gather(*waiting, return_exceptions=True), SOON_S)
    assert [type(one) for one in answers] == [StoreUnavailable, Receipt]
    assert recorder.tally.not_kept == 1


class _StuckStore(FailingStore):
    """A transaction begins, and no answer ever comes."""

    def __init__(self, store: Store) -> None:
        super().__init__(store, lambda name, argument: None)
        self.entered = asyncio.Event()

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        self.entered.set()
        await asyncio.Event().wait()
        async with super().writing() as writing:
            yield writing


async def test_whoever_waits_when_the_recorder_stops_is_told_and_whoever_comes_later(store: Store) -> None:
    stuck = _StuckStore(store)
    recorder = recorder_on(stuck)
    task = asyncio.create_task(recorder.run())
    waiting = [recorder.record(delivery(dumped(message(1))))]
    await asyncio.wait_for(stuck.entered.wait(), SOON_S)
    waiting.append(recorder.record(delivery(dumped(message(2)))))
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    waiting.append(recorder.record(delivery(dumped(message(3)))))
    answers = await asyncio.wait_for(asyncio.gather(*waiting, return_exceptions=True), SOON_S)
    assert [type(one) for one in answers] == [StoreUnavailable] * 3


async def test_a_caller_that_went_away_costs_no_other() -> None:
    store = MemoryStore()
    async with recording(store) as recorder:
        gone, stays = (recorder.record(delivery(dumped(message(seq)))) for seq in (1, 2))
        gone.cancel()
        assert (await asyncio.wait_for(stays, SOON_S)).stored == 1
    assert len((await all_kept(store))[f"events {CELL}"]) == 2
