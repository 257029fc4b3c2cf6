"""GET /v1/failures: what counts as a failure, of which window, unit, subsystem and code."""

from typing import Any

import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.failing import alarm, codes, stop, window, work
from tests.integration.api.plant import CELL, OTHER, later, own, snapshot

HOSTILE = (
    "'; DROP TABLE alarms; --",
    "%_\\",
    "null",
    "0x41",
    "1e9",
    "\N{WRENCH} e\N{COMBINING ACUTE ACCENT}",
    "$[0]",
    '"',
)


async def test_the_failure_of_the_morning(get: Get) -> None:
    found = await get(f"/v1/failures/{CELL}", **window(0, 120))
    assert (found["unit"], found["until"], found["planned_s"], found["running_s"]) == (CELL, later(120), 7200, 3600)
    assert (found["failures"], found["mtbf_s"], found["mttr_s"]) == (1, 3600, 1800)
    assert (found["repair_s"], found["fault_s"], found["longest_s"]) == (1800, 1800, 1800)
    assert (found["first"], found["last"], found["trend_score"]) == (later(30), later(30), None)
    assert (found["begins_unseen"], found["ends_unseen"]) == (0, 0)
    assert [(one["code"], one["failures"], one["subsystems"]) for one in found["codes"]] == [("clamp-force", 1, [])]
    assert [(one["subsystem"], one["failures"]) for one in found["subsystems"]] == [(None, 1)]
    assert [(one["unit"], one["failures"]) for one in found["units"]] == [(f"{CELL}/1", 1), (f"{CELL}/2", 0)]
    assert found["units"][1]["mtbf_bounds_s"] == [None, None]


async def test_a_fault_at_the_edge_of_a_window_counts_where_it_begins_with_all_of_its_repair(get: Get) -> None:
    async def over(start: float, end: float) -> tuple[Any, ...]:
        found = await get(f"/v1/failures/{CELL}", **window(start, end))
        return tuple(found[name] for name in ("failures", "repair_s", "fault_s", "ends_unseen"))

    assert await over(0, 45) == (1, 1800, 900, 0)
    assert await over(0, 31) == (1, 1800, 60, 0)
    assert await over(45, 120) == (0, 0, 900, 0)
    assert await over(0, 30) == (0, 0, 0, 0)
    assert await over(30, 60) == (1, 1800, 1800, 0)
    assert await over(60, 120) == (0, 0, 0, 0)
    later_on = await get(f"/v1/failures/{CELL}", **window(45, 120))
    assert (later_on["mtbf_s"], later_on["mttr_s"], later_on["longest_s"], later_on["first"]) == (
        None,
        None,
        None,
        None,
    )
    assert later_on["mtbf_bounds_s"][1] is None
    assert later_on["mttr_bounds_s"] == [None, None]
    # The time of a failure that began before is told under its code, without a failure.
    assert [(one["code"], one["failures"], one["fault_s"]) for one in later_on["codes"]] == [("clamp-force", 0, 900)]


async def test_a_fault_whose_reason_changes_is_one_failure_with_the_code_and_subsystem_of_the_first(
    get: Get, send: Send
) -> None:
    await send(
        *(snapshot(200, "1"), work(1, 201), alarm(2, 210, "raise", "first", subsystem="drill")),
        *(alarm(3, 215, "raise", "second", subsystem="feeder"), alarm(4, 220, "clear", "first")),
        *(alarm(5, 230, "clear", "second"), work(6, 238, "end")),
        cell=OTHER,
    )
    spans = (await get(f"/v1/timeline/{OTHER}/1", **window(201, 238)))["units"][0]["spans"]
    assert [span["reason"] for span in spans] == ["process", "first", "second", "process"]
    found = await get(f"/v1/failures/{OTHER}", **window(200, 238))
    assert (found["failures"], found["mttr_s"]) == (1, 20 * 60)
    assert [(one["code"], one["failures"], one["subsystems"]) for one in found["codes"]] == [("first", 1, ["drill"])]
    # A window that begins between the two spans has no failure: the second one continues the first.
    assert (await get(f"/v1/failures/{OTHER}", **window(220, 238)))["failures"] == 0


async def test_a_failure_is_repaired_in_planned_time_only(get: Get, send: Send) -> None:
    # The meal is 10:00 to 10:30, minutes 240 to 270.
    await send(snapshot(230, "1"), alarm(1, 235, "raise"), alarm(2, 275, "clear"), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(230, 275))
    assert (found["failures"], found["repair_s"], found["fault_s"]) == (1, 600, 600)
    assert (await get(f"/v1/failures/{OTHER}", **window(270, 275)))["failures"] == 0
    before = await get(f"/v1/failures/{OTHER}", **window(230, 236))
    assert (before["failures"], before["mttr_s"], before["longest_s"], before["fault_s"]) == (1, 600, 600, 60)


async def test_what_hours_have_of_failures_and_repairs_sums_to_the_day(get: Get, send: Send) -> None:
    # A fault of three codes in turn over three hours and the meal; then one of a minute, and one over the end of the shift.
    await send(
        *(snapshot(100, "1"), alarm(1, 110, "raise", "one"), alarm(2, 170, "raise", "two")),
        *(alarm(3, 175, "clear", "one"), alarm(4, 239, "raise", "three"), alarm(5, 239.5, "clear", "two")),
        *(alarm(6, 290, "clear", "three"), alarm(7, 300, "raise"), alarm(8, 301, "clear")),
        *(alarm(9, 470, "raise", "late"), alarm(10, 530, "clear", "late"), own(11, 531)),
        cell=OTHER,
    )
    for unit in (OTHER, f"{OTHER}/1", "bench/line-1"):
        hours = [await get(f"/v1/failures/{unit}", **window(at, at + 60)) for at in range(0, 600, 60)]
        day = await get(f"/v1/failures/{unit}", **window(0, 600))
        for name in ("failures", "repair_s", "fault_s", "running_s", "planned_s"):
            assert sum(hour[name] for hour in hours) == pytest.approx(day[name]), name
        assert max(hour["longest_s"] or 0 for hour in hours) == day["longest_s"]
    first = await get(f"/v1/failures/{OTHER}", **window(60, 120))
    assert (first["failures"], first["mttr_s"], first["fault_s"]) == (1, 150 * 60, 10 * 60)
    assert first["codes"][0]["code"] == "one"


async def test_late_evidence_of_a_repair_changes_the_window_that_the_failure_began_in(get: Get, send: Send) -> None:
    raised = {"alarms": [{"zone": "1", "code": "clamp", "severity": "stop"}]}
    silent = snapshot(125, "1", seq=1) | raised
    await send(
        snapshot(100, "1"),
        alarm(1, 110, "raise"),
        silent,
        alarm(3, 150, "clear"),
        snapshot(151, "1", seq=3),
        cell=OTHER,
    )
    asked = window(105, 120)
    before = await get(f"/v1/failures/{OTHER}", **asked)
    assert (before["failures"], before["repair_s"], before["ends_unseen"]) == (1, 15 * 60, 1)
    await send(alarm(2, 140, "raise", "clamp", subsystem="drill"), cell=OTHER)
    after = await get(f"/v1/failures/{OTHER}", **asked)
    assert (after["repair_s"], after["ends_unseen"]) == (40 * 60, 0)
    assert after["revision"] > before["revision"]


async def test_a_unit_may_fail_in_planned_time_only(get: Get, send: Send) -> None:
    await send(snapshot(230, "1"), work(1, 235), work(2, 275, "end"), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(230, 275))
    assert (found["running_s"], found["planned_s"]) == (600, 900)


async def test_a_fault_that_begins_outside_planned_time_is_no_failure_and_its_time_is_told(
    get: Get, send: Send
) -> None:
    await send(snapshot(230, "1"), alarm(1, 250, "raise"), alarm(2, 280, "clear"), own(3, 290), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(230, 290))
    assert (found["failures"], found["repair_s"], found["fault_s"], found["mttr_s"]) == (0, 0, 600, None)


async def test_a_fault_wholly_outside_planned_time_is_not_told(get: Get, send: Send) -> None:
    await send(snapshot(230, "1"), alarm(1, 250, "raise"), alarm(2, 260, "clear"), own(3, 290), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(230, 290))
    assert (found["failures"], found["fault_s"], found["codes"]) == (0, 0, [])


async def test_the_same_code_in_two_subsystems_and_in_none(get: Get, send: Send) -> None:
    await send(
        *(snapshot(300, "1"), alarm(1, 301, "raise", subsystem="drill"), alarm(2, 302, "clear")),
        *(alarm(3, 303, "raise", zone=None, subsystem="feeder"), alarm(4, 305, "clear", zone=None)),
        *(alarm(5, 306, "raise"), alarm(6, 307, "clear"), alarm(7, 308, "raise"), alarm(8, 309, "clear")),
        cell=OTHER,
    )
    for unit in (OTHER, f"{OTHER}/1", "bench/line-1"):
        found = await get(f"/v1/failures/{unit}", **window(300, 309))
        told = [(one["subsystem"], one["failures"], one["repair_s"]) for one in found["subsystems"]]
        assert told == [(None, 2, 120), ("feeder", 1, 120), ("drill", 1, 60)]
        assert [(one["code"], one["failures"]) for one in found["codes"]] == [("clamp", 4)]
        assert found["codes"][0]["subsystems"] == ["drill", "feeder"]
        assert found["codes"][0]["running_s"] == found["running_s"]


async def test_an_alarm_raised_before_the_window_still_names_its_subsystem(get: Get, send: Send) -> None:
    # Zone 1 stands in fault from minute 130 on; the cell runs on in zone 2, and fails only when that ends.
    await send(
        *(
            snapshot(125, "1", "2", boot=2),
            own(1, 126, boot=2) | {"type": "activity", "activity": "process"} | _begin("2"),
        ),
        own(2, 130, boot=2) | {"type": "alarm", "phase": "raise", "code": "spindle"} | stop("1", "drill"),
        own(3, 150, boot=2) | {"type": "activity", "activity": "process"} | _begin("2", "end"),
        own(4, 160, boot=2) | {"type": "alarm", "phase": "clear", "code": "spindle"} | stop("1"),
    )
    found = await get(f"/v1/failures/{CELL}", **window(140, 160))
    assert (found["failures"], found["first"], found["begins_unseen"]) == (1, later(150), 0)
    assert [(one["subsystem"], one["failures"]) for one in found["subsystems"]] == [("drill", 1)]
    # The zone had failed before this window, so it has no failure here; its time is told.
    first, second = found["units"]
    assert (first["failures"], first["fault_s"], second["failures"], second["fault_s"]) == (0, 20 * 60, 0, 0)
    zone = await get(f"/v1/failures/{CELL}/1", **window(126, 160))
    assert (zone["failures"], zone["repair_s"], zone["units"]) == (1, 30 * 60, [])


def _begin(zone: str, phase: str = "begin") -> dict[str, str]:
    return {"zone": zone, "phase": phase}


async def test_a_fault_on_both_sides_of_unknown_time_is_named_as_perhaps_one(get: Get, send: Send) -> None:
    raised = {"alarms": [{"zone": "1", "code": "clamp", "severity": "stop"}]}
    await send(
        *(snapshot(300, "1"), alarm(1, 301, "raise", subsystem="drill"), own(2, 305)),
        *(snapshot(310, "1", seq=4) | raised, alarm(5, 320, "clear"), own(6, 321)),
        cell=OTHER,
    )
    found = await get(f"/v1/failures/{OTHER}", **window(300, 321))
    assert (found["failures"], found["begins_unseen"], found["ends_unseen"]) == (2, 1, 1)
    assert {"begin_unseen", "end_unseen", "unknown_time"} <= codes(found)
    assert [(one["subsystem"], one["failures"]) for one in found["subsystems"]] == [("drill", 2)]


async def test_an_alarm_that_only_a_snapshot_told_has_no_subsystem(get: Get, send: Send) -> None:
    raised = {"alarms": [{"code": "air-supply", "severity": "stop"}]}
    await send(snapshot(300, "1"), snapshot(305, "1") | raised, snapshot(310, "1"), own(1, 311), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(300, 311))
    assert [(one["code"], one["failures"], one["subsystems"]) for one in found["codes"]] == [("air-supply", 1, [])]
    assert [one["subsystem"] for one in found["subsystems"]] == [None]


async def test_hostile_codes_are_told_as_they_came(get: Get, send: Send) -> None:
    messages = [snapshot(300, "1")]
    for i, code in enumerate(HOSTILE):
        messages.append(alarm(2 * i + 1, 301 + i, "raise", code, subsystem=code))
        messages.append(alarm(2 * i + 2, 301.5 + i, "clear", code))
    assert (await send(*messages, cell=OTHER))["refused"] == []
    found = await get(f"/v1/failures/{OTHER}", **window(300, 320))
    assert {(one["code"], *one["subsystems"], one["failures"]) for one in found["codes"]} == {
        (c, c, 1) for c in HOSTILE
    }
    assert {one["subsystem"] for one in found["subsystems"]} == set(HOSTILE)
