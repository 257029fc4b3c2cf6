"""Ledgers that an earlier version derived are derived anew, on every store."""

from dataclasses import replace

from tests.contract.payloads import activity, alarm, dumped, fastener, snapshot
from tests.contract.recording import CELL, NOW_US, TWIN, WHOLE, all_kept, delivery, record
from zoneledger.application.ports import Store
from zoneledger.application.rebuild import ABANDONED_US
from zoneledger.application.renewal import renew
from zoneledger.core.booking import FOLD, Limits
from zoneledger.core.rows import Booked

MESSAGES = [
    snapshot(0, 0),
    activity("begin", "load", 1, 5, panel="p-1"),
    activity("begin", "process", 2, 60, panel="p-1"),
    fastener(3, 70),
    alarm("raise", "clamp-force", 4, 80, subsystem="clamp"),
    alarm("clear", "clamp-force", 5, 90),
    activity("end", "process", 6, 200),
    snapshot(6, 205),
]


async def make_older(store: Store) -> None:
    """Take from the ledger what an earlier version did not book."""
    async with store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        rows = await writing.booked(head.ledger_id, WHOLE)
        await writing.remove_booked(head.ledger_id, WHOLE, Booked(activities=rows.activities, alarms=rows.alarms))
        await writing.save_heads([replace(head, fold=FOLD - 1)])


async def test_a_ledger_of_earlier_rules_is_derived_anew_and_no_figure_is_restated(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES)), delivery(dumped(*MESSAGES), TWIN)])
    before = await all_kept(store)
    await make_older(store)
    assert await all_kept(store) != before
    assert await renew(store, lambda: NOW_US, Limits())
    assert await all_kept(store) == before


async def test_while_another_one_derives_a_ledger_its_renewal_is_left_for_later(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    before = await all_kept(store)
    await make_older(store)
    async with store.writing() as writing:
        await writing.begin_ledger(CELL, NOW_US)
    assert not await renew(store, lambda: NOW_US, Limits())
    assert await renew(store, lambda: NOW_US + ABANDONED_US, Limits())
    assert await all_kept(store) == before


async def test_a_ledger_of_the_present_rules_stays_as_it_is(store: Store) -> None:
    await record(store, [delivery(dumped(*MESSAGES))])
    async with store.reading() as reading:
        before = await reading.heads([CELL])
    assert await renew(store, lambda: NOW_US, Limits())
    async with store.reading() as reading:
        assert await reading.heads([CELL]) == before
