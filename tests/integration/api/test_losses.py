"""GET /v1/losses: what the morning of cell-1 lost, in windows of every kind, with names of every kind."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem

MORNING = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T08:00:00Z"}
HOSTILE = (
    'it\'s "quoted" \\ `so`',
    "100 % of _ and ; -- DROP TABLE fasteners",
    "emoji \N{WRENCH}, e\N{COMBINING ACUTE ACCENT}",
    "\U0010ffff\uffff",
    " ",
    "null",
    "no_evidence",
    "minor_stop",
    "x" * 200,
)


def steps_of(answer: dict[str, Any]) -> dict[str, float]:
    return {step["step"]: step["lost_s"] for step in answer["steps"]}


async def test_the_losses_of_a_window(get: Get) -> None:
    """An hour's run of 100 fasteners, each 36 s after the other with a standard of 18: half of it is lost speed."""
    answer = await get(f"/v1/losses/{CELL}", **MORNING)
    assert (answer["unit"], answer["start"], answer["end"], answer["until"]) == (
        CELL,
        *MORNING.values(),
        MORNING["end"],
    )
    assert steps_of(answer) == {
        "unknown": 0,
        "fault": 1800,
        "changeover": 1800,
        "idle": 0,
        "minor_stops": 0,
        "speed": 1800,
        "rework": 0,
        "reject": 90,
    }
    assert [step["left_s"] for step in answer["steps"]] == [7200, 5400, 3600, 3600, 3600, 1800, 1800, 1710]
    assert answer["good_standard_s"] == 1710


async def test_losses_beside_the_figures_of_the_same_window(get: Get) -> None:
    for unit in (CELL, f"{CELL}/1", f"{CELL}/2", OTHER, "bench/line-1", "bench"):
        for window in (MORNING, {"day": "2026-03-02"}, {"day": "2026-03-05"}):
            kpi, answer = await get(f"/v1/kpi/{unit}", **window), await get(f"/v1/losses/{unit}", **window)
            for name in ("unit", "start", "end", "until", "label", "shift", "planned_s", "revision", "warnings"):
                assert answer[name] == kpi[name]
            told = {row["state"] for row in answer["reasons"]["by_time"]} - {"running"}
            for state in ("unknown", "fault", "changeover", "idle"):
                rows = {row["reason"]: row["lost_s"] for row in answer["reasons"]["by_time"] if row["state"] == state}
                assert steps_of(answer)[state] == kpi["time_s"][state]
                assert rows == (kpi["reasons_s"].get(state, {}) if state in told else {})


async def test_a_reason_tells_how_often_how_long_and_when(get: Get, send: Send) -> None:
    quiet = {"type": "wait", "zone": "1", "for": "tool"}
    await send(snapshot(180, "1", "2", boot=2), own(1, 200, boot=2, phase="begin", **quiet))
    await send(own(2, 210, boot=2, phase="end", **quiet), own(3, 230, boot=2, phase="begin", **quiet))
    await send(own(4, 275, boot=2, phase="end", **quiet))
    answer = await get(f"/v1/losses/{CELL}/1", shift="2026-03-02/early")
    (row,) = [row for row in answer["reasons"]["by_time"] if row["reason"] == "tool"]
    expected = {
        "state": "idle",
        "reason": "tool",
        "lost_s": 25 * 60,  # the meal from 10:00 to 10:30 cuts the second wait in two
        "occurrences": 2,
        "first": later(200),
        "last": later(230),
        "mean_s": 12.5 * 60,
        "longest_s": 15 * 60,
    }
    assert {name: row[name] for name in expected} == expected


async def test_a_window_that_cuts_a_loss_has_its_part_of_it(get: Get) -> None:
    answer = await get(f"/v1/losses/{CELL}", start=later(40), end="2026-03-02T06:40:00.000003Z")
    assert answer["planned_s"] == steps_of(answer)["fault"] == 0.000003
    (row,) = answer["reasons"]["by_time"]
    assert (row["lost_s"], row["occurrences"], row["first"]) == (0.000003, 1, later(40))


@pytest.mark.parametrize("window", [{"day": "2026-03-05"}, {"start": later(240), "end": later(270)}])
async def test_a_window_to_come_or_without_planned_time_has_lost_nothing(get: Get, window: dict[str, str]) -> None:
    for unit in (CELL, f"{CELL}/1", "bench"):
        answer = await get(f"/v1/losses/{unit}", **window)
        assert answer["planned_s"] == answer["good_standard_s"] == 0
        assert [(step["lost_s"], step["left_s"]) for step in answer["steps"]] == [(0, 0)] * 8
        assert (answer["reasons"]["by_time"], answer["programs"], answer["items"]["rows"]) == ([], [], [])


async def test_a_line_without_cells_has_lost_nothing(told: httpx.AsyncClient) -> None:
    site = {"site": "bench", "timezone": "UTC", "lines": [{"line": "line-1"}]}
    assert (await told.put("/v1/plant", json={"sites": [site]})).status_code == 200
    for unit in ("bench", "bench/line-1"):
        answer = (await told.get(f"/v1/losses/{unit}", params={"day": "2026-03-02"})).json()
        assert (answer["planned_s"], answer["programs"], answer["reasons"]["by_time"]) == (0, [], [])
        assert {warning["code"] for warning in answer["warnings"]} >= {"no_planned_time"}


async def test_time_without_data_is_lost_to_what_is_unknown(get: Get) -> None:
    answer = await get(f"/v1/losses/{OTHER}", **MORNING)
    assert steps_of(answer)["unknown"] == 7200
    (row,) = answer["reasons"]["by_time"]
    assert (row["state"], row["reason"], row["occurrences"], row["lost_s"]) == ("unknown", "no_evidence", 1, 7200)


async def test_a_window_that_is_not_over_is_read_up_to_now(get: Get) -> None:
    answer = await get(f"/v1/losses/{CELL}", start="2026-03-02T17:00:00Z", end="2026-03-02T19:00:00Z")
    assert (answer["until"], answer["planned_s"]) == (NOW, 3600)
    assert "not_over" in {one["code"] for one in answer["warnings"]}


BEGIN = {"type": "activity", "zone": "1", "activity": "process", "phase": "begin"}
MADE = {"type": "fastener", "zone": "1", "operation": "fasten", "result": "good"}


async def _minor_stops(get: Get, start_min: float, end_min: float) -> float:
    answer = await get(f"/v1/losses/{CELL}", start=later(start_min), end=later(end_min))
    return steps_of(answer)["minor_stops"]


async def test_a_piece_that_reaches_over_a_windows_edge_is_judged_as_a_whole_on_both_sides(
    get: Get, send: Send
) -> None:
    """The limit is 54 s; the piece of 60 s lies half in each window, and its last 18 s are the fastener's."""
    made = [own(2 + i, minute, boot=2, **MADE) for i, minute in enumerate((200.5, 201.5, 202))]
    await send(snapshot(200, "1", "2", boot=2), own(1, 200, boot=2, **BEGIN), *made, snapshot(202, boot=2, seq=4))
    assert (await _minor_stops(get, 200, 201), await _minor_stops(get, 201, 202)) == (30, 12)
    assert await _minor_stops(get, 201.25, 201.5) == 0
    assert await _minor_stops(get, 200, 202) == 42


async def test_a_piece_that_goes_on_is_judged_by_what_there_is_of_it_now(get: Get, send: Send) -> None:
    """The last fastener was made 60 s before now, which is above the limit of 54 s; at the first window's end it was not."""
    made = own(2, 719, boot=2, **MADE)
    proof = snapshot(719.75, "1", "2", boot=2, seq=2)
    proof["zones"]["1"] = {"activity": "process"}
    await send(snapshot(718.5, "1", "2", boot=2), own(1, 718.5, boot=2, **BEGIN), made, proof)
    assert (await _minor_stops(get, 718.5, 719.8), await _minor_stops(get, 719.8, 760)) == (48, 12)
    assert await _minor_stops(get, 718.5, 760) == 60


async def test_a_fast_cell_gains_speed(get: Get, send: Send) -> None:
    fast = [own(1, 200, boot=2, **BEGIN), *(own(2 + i, 200 + i / 10, boot=2, **MADE) for i in range(10))]
    await send(snapshot(200, "1", "2", boot=2), *fast, snapshot(201, "1", "2", boot=2, seq=11))
    answer = await get(f"/v1/losses/{CELL}", start=later(200), end=later(201))
    assert steps_of(answer)["speed"] == 60 - 180
    assert "performance_above_1" in {one["code"] for one in answer["warnings"]}


async def test_names_of_every_kind_come_back_as_they_were_told(get: Get, send: Send) -> None:
    messages: list[Any] = [snapshot(200, "1", "2", boot=2)]
    for number, name in enumerate(HOSTILE):
        at, told = 200 + 2 * number, {"boot": 2, "zone": "1"}
        alarm = {"type": "alarm", "code": name, "severity": "stop"}
        begin = {"type": "activity", "activity": "process", "phase": "begin", "program": name}
        made = {"type": "fastener", "operation": "fasten", "result": "reject", "item": name, "position": name}
        events = [begin, made, alarm | {"phase": "raise"}, alarm | {"phase": "clear"}]
        for k, event in enumerate(events, start=1):
            messages.append(own(4 * number + k, at + k / 2 - 0.5, **told, **event))
    assert (await send(*messages))["refused"] == []
    answer = await get(f"/v1/losses/{CELL}", start=later(200), end=later(200 + 2 * len(HOSTILE)))
    faults = [row["reason"] for row in answer["reasons"]["by_time"] if row["state"] == "fault"]
    assert faults == sorted(HOSTILE)
    assert {row["program"] for row in answer["programs"]} == set(HOSTILE)
    assert [row["item"] for row in answer["items"]["rows"]] == sorted(HOSTILE)
    assert [(row["program"], row["position"]) for row in answer["positions"]["rows"]] == [
        (n, n) for n in sorted(HOSTILE)
    ]


@pytest.mark.parametrize(
    ("unit", "query", "code", "hint"),
    [
        (CELL, {}, "window_invalid", "start and end"),
        (CELL, {"start": MORNING["end"], "end": MORNING["start"]}, "window_invalid", "after its start"),
        (CELL, {"shift": "2026-03-02/night"}, "shift_unknown", "early, late"),
        (CELL, {"day": "2026-03-02", "by": "minute"}, "request_invalid", "week"),
        (CELL, MORNING | {"against": "before"}, "request_invalid", "not a parameter"),
        ("bench", {"shift": "2026-03-02/early"}, "window_invalid", "is a site"),
        ("bench", {"day": "2026-03-02", "by": "shift"}, "window_invalid", "is a site"),
        ("bench/line-9", {"day": "2026-03-02"}, "unit_unknown", "bench/line-1"),
        ("b%00c", {"day": "2026-03-02"}, "unit_unknown", "bench"),
        (f"{CELL}/9", {"day": "2026-03-02"}, "unit_unknown", f"{CELL}/1"),
    ],
)
async def test_what_cannot_be_answered_is_a_problem_that_says_what_would_be_right(
    told: httpx.AsyncClient, unit: str, query: dict[str, str], code: str, hint: str
) -> None:
    assert hint in problem(await told.get(f"/v1/losses/{unit}", params=query), code)["detail"]
