"""When what was told of a cell's past has changed: to the microsecond, and nothing that was not told for good yet."""

from typing import Any

import pytest

from tests.contract.payloads import dumped
from tests.contract.recording import CELL, NOW_US, all_kept, delivery, record
from tests.fakes.memory_store import MemoryStore
from zoneledger.application.restating import APART_US, differing, restatements
from zoneledger.application.stored import Revision
from zoneledger.core.rows import ZoneSpan
from zoneledger.core.spans import Span

Told = tuple[int, int, str, str]


def _account(*spans: Told, zone: str = "1") -> list[ZoneSpan]:
    return [ZoneSpan(zone, Span(*span)) for span in spans]


RUN, WAIT, GAP = ("running", "process"), ("idle", "tool"), ("unknown", "gap")


@pytest.mark.parametrize(
    ("before", "after", "times"),
    [
        ([(0, 9, *RUN)], [(0, 9, *RUN)], []),
        ([(0, 9, *RUN)], [(0, 4, *RUN), (4, 9, *RUN)], []),
        ([(0, 9, *RUN)], [(0, 4, *RUN), (4, 5, *WAIT), (5, 9, *RUN)], [(4, 5)]),
        ([(0, 9, *RUN)], [(0, 4, *RUN), (4, 5, *GAP), (5, 9, *RUN)], [(4, 5)]),
        ([(0, 9, *RUN)], [(0, 9, "running", "other")], [(0, 9)]),
        ([(0, 9, *GAP)], [(0, 9, "unknown", "reboot")], []),
        ([(0, 9, *GAP)], [], []),
        ([], [(2, 3, *RUN), (7, 8, *RUN)], [(2, 3), (7, 8)]),
    ],
)
def test_two_accounts_differ_where_state_or_reason_does(
    before: list[Told], after: list[Told], times: list[tuple[int, int]]
) -> None:
    assert differing(_account(*before), _account(*after)) == times
    assert differing(_account(*after), _account(*before)) == times


def test_each_units_account_is_one_of_its_own() -> None:
    before = _account((0, 9, *RUN), zone="1") + _account((0, 9, *WAIT), zone="2")
    after = _account((0, 9, *WAIT), zone="1") + _account((0, 9, *WAIT), zone="2")
    assert differing(before, after) == [(0, 9)]


def test_changes_an_hour_apart_are_two_and_less_apart_are_one() -> None:
    times = [(2 * APART_US + 1, 2 * APART_US + 7), (0, 5), (APART_US, APART_US + 1)]
    assert restatements("cell", times, 9 * APART_US, 11, "late messages") == [
        Revision("cell", 0, APART_US + 1, 11, "late messages"),
        Revision("cell", 2 * APART_US + 1, 2 * APART_US + 7, 11, "late messages"),
    ]


def test_what_was_not_told_for_good_yet_is_no_change_of_the_past() -> None:
    assert restatements("cell", [(5, 9), (12, 15)], 10, 11, "late messages") == [
        Revision("cell", 5, 9, 11, "late messages")
    ]
    assert restatements("cell", [(5, 20)], 10, 11, "verdicts") == [Revision("cell", 5, 10, 11, "verdicts")]
    assert restatements("cell", [(10, 20)], 10, 11, "verdicts") == []


def _told(seq: int, ago_s: int, **fields: Any) -> dict[str, Any]:
    second = 12 * 3600 - ago_s
    at = f"2026-11-25T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z"
    return {"v": 1, "boot": 1, "seq": seq, "at": at, **({"type": "own"} | fields)}


async def test_messages_of_the_last_30_s_change_nothing_that_was_told_and_later_ones_do() -> None:
    store = MemoryStore()
    snapshot = {"type": "snapshot", "zones": {"1": {"activity": "process"}}, "alarms": []}
    waits = {"type": "wait", "zone": "1", "phase": "begin", "for": "tool"}
    await record(store, [delivery(dumped(_told(0, 25, **snapshot)))])
    await record(store, [delivery(dumped(_told(1, 20, **waits), _told(3, 5)))])
    await record(store, [delivery(dumped(_told(2, 12)))])
    assert (await all_kept(store))["revisions"] == []
    await record(store, [delivery(dumped(_told(0, 80, **snapshot)))])
    assert [(row.unit, NOW_US - row.from_us, NOW_US - row.to_us) for row in (await all_kept(store))["revisions"]] == [
        (CELL, 80_000_000, 30_000_000)
    ]
