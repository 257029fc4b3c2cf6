"""Late messages of one group that lie checkpoints apart: the ledger is the one that the same messages give in order."""

from typing import Any

import pytest

from tests.contract.payloads import activity, alarm, dumped, fastener, snapshot, verdict
from tests.contract.recording import CELL, TWIN, all_kept, delivery, record
from zoneledger.application import book
from zoneledger.application.ports import Store

_ZONES: dict[str, dict[str, Any]] = {"1": {"activity": "process", "panel": "p-1"}}

#: Twenty events of zone 1, ten seconds apart; each snapshot tells again what the events before it did, so that the state
#: after it does not depend on them.
EVENTS = [
    activity("begin", "process", 1, 10, panel="p-1"),
    fastener(2, 20, position="1"),
    alarm("raise", "e-7", 3, 30),
    alarm("clear", "e-7", 4, 40),
    *(fastener(seq, 10 * seq, position=str(seq)) for seq in range(5, 13)),
    verdict(13, 130, position="6"),
    alarm("raise", "e-8", 14, 140),
    fastener(15, 150, position="15"),
    alarm("clear", "e-8", 16, 160),
    *(fastener(seq, 10 * seq, position=str(seq)) for seq in range(17, 21)),
]
SNAPSHOTS = [snapshot(0, 0, zones={"1": {}})] + [snapshot(seq, 10 * seq + 5, zones=_ZONES) for seq in (5, 9, 17)]


@pytest.fixture(autouse=True)
def short_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Checkpoints after every fourth event, and pages of seven."""
    monkeypatch.setattr(book, "EVENTS_PER_CHECKPOINT", 4)
    monkeypatch.setattr(book, "EVENTS_AT_ONCE", 7)


def _ledger(kept: dict[str, Any], cell: str) -> list[Any]:
    return [*kept[f"booked {cell}"], kept[f"verdicts {cell}"], kept["heads"][cell].booking]


@pytest.mark.parametrize(
    "late",
    [{3}, {14}, {2, 14}, {2, 19}, {3, 14}, {4, 13, 16}, {1, 20}, {20}, set(range(2, 20))],
    ids=lambda late: str(sorted(late)),
)
async def test_events_that_come_late_together_give_the_ledger_of_their_order(store: Store, late: set[int]) -> None:
    in_time = [event for event in EVENTS if event["seq"] not in late]
    await record(store, [delivery(dumped(*SNAPSHOTS, *in_time))])
    await record(store, [delivery(dumped(*(event for event in EVENTS if event["seq"] in late)))])
    for message in sorted([*SNAPSHOTS, *EVENTS], key=lambda one: (one["seq"], one["type"] == "snapshot")):
        await record(store, [delivery(dumped(message), TWIN)])
    kept = await all_kept(store)
    assert _ledger(kept, CELL) == _ledger(kept, TWIN)
    assert len(kept[f"booked {CELL}"][1]) == sum(event["type"] == "fastener" for event in EVENTS)


async def test_snapshots_that_come_late_together_give_the_ledger_of_their_order(store: Store) -> None:
    await record(store, [delivery(dumped(*EVENTS))])
    await record(store, [delivery(dumped(*SNAPSHOTS))])
    await record(store, [delivery(dumped(*EVENTS, *SNAPSHOTS), TWIN)])
    kept = await all_kept(store)
    assert _ledger(kept, CELL) == _ledger(kept, TWIN)
    assert len(kept[f"booked {CELL}"][1]) == sum(event["type"] == "fastener" for event in EVENTS)
