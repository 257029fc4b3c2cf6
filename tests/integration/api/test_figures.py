"""GET /v1/kpi, /v1/timeline, /v1/shifts and /v1/units: what the morning of cell-1 comes to."""

import math
from datetime import datetime
from itertools import pairwise
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem

MORNING = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T08:00:00Z"}
NAMED = {
    "unit",
    "start",
    "end",
    "planned_s",
    "time_s",
    "availability",
    "performance",
    "quality",
    "oee",
    "oee_bounds",
    "nee",
    "teep",
    "known",
    "fasteners",
    "standard_s",
    "good_standard_s",
    "fasteners_per_hour",
    "utilisation",
    "revision",
    "warnings",
}


async def test_the_figures_of_a_window(get: Get) -> None:
    kpi = await get(f"/v1/kpi/{CELL}", **MORNING)
    assert kpi.keys() >= NAMED
    assert (kpi["unit"], kpi["start"], kpi["end"], kpi["until"]) == (CELL, *MORNING.values(), MORNING["end"])
    assert kpi["time_s"] == {"running": 3600, "idle": 0, "fault": 1800, "changeover": 1800, "unknown": 0}
    assert kpi["reasons_s"] == {
        "running": {"process": 3600},
        "fault": {"clamp-force": 1800},
        "changeover": {"setup": 1800},
    }
    assert (kpi["availability"], kpi["performance"], kpi["quality"]) == (0.5, 0.5, 0.95)
    assert math.isclose(kpi["oee"], 0.2375)
    assert kpi["oee_bounds"] == [kpi["oee"], kpi["oee"]]
    assert kpi["fasteners"]["made"] == 100
    assert kpi["fasteners_per_hour"] == {"planned": 50, "running": 100, "good": 47.5}
    assert kpi["zones"]["1"]["time_s"] == kpi["time_s"]
    assert kpi["zones"]["2"]["time_s"]["unknown"] == 7200
    assert (kpi["zones"]["1"]["utilisation"], kpi["zones"]["2"]["utilisation"]) == (0.5, None), (
        "never heard, not unused"
    )


async def test_a_shift_a_day_and_their_series(get: Get) -> None:
    shift = await get(f"/v1/kpi/{CELL}", shift="2026-03-02/early")
    assert (shift["shift"], shift["label"], shift["planned_s"]) == ("2026-03-02/early", "2026-03-02/early", 7.5 * 3600)
    day = await get(f"/v1/kpi/{CELL}", day="2026-03-02", by="shift")
    assert (day["unit"], day["by"]) == (CELL, "shift")
    assert [one["shift"] for one in day["series"]] == ["2026-03-02/early", "2026-03-02/late"]
    assert day["series"][0] == shift
    for by in ("hour", "day", "week", "month"):
        series = (await get(f"/v1/kpi/{CELL}", day="2026-03-02", by=by))["series"]
        assert sum(one["planned_s"] for one in series) == 7.5 * 3600 + 4 * 3600  # late is read up to now, 18:00
        assert [one["end"] for one in series[:-1]] == [one["start"] for one in series[1:]]


async def test_a_line_is_the_sum_of_its_cells(get: Get) -> None:
    cells = [await get(f"/v1/kpi/{unit}", **MORNING) for unit in (CELL, OTHER)]
    line = await get("/v1/kpi/bench/line-1", **MORNING)
    assert line["zones"] == {}
    for name in ("planned_s", "standard_s", "good_standard_s"):
        assert line[name] == sum(cell[name] for cell in cells)
    for group in ("time_s", "fasteners"):
        assert line[group] == {name: sum(cell[group][name] for cell in cells) for name in line[group]}
    assert await get("/v1/kpi/bench", **MORNING) == line | {"unit": "bench"}


async def test_a_window_that_is_not_over_is_read_up_to_now(get: Get) -> None:
    kpi = await get(f"/v1/kpi/{CELL}", start="2026-03-02T17:00:00Z", end="2026-03-02T19:00:00Z")
    assert (kpi["until"], kpi["planned_s"]) == (NOW, 3600)
    assert "not_over" in {one["code"] for one in kpi["warnings"]}
    to_come = await get(f"/v1/kpi/{CELL}", day="2026-03-05")
    assert (to_come["planned_s"], to_come["oee"], to_come["oee_bounds"]) == (0, None, [None, None])


async def test_times_are_exact_to_the_microsecond(get: Get) -> None:
    kpi = await get(f"/v1/kpi/{CELL}", start="2026-03-02T06:00:00.000001Z", end="2026-03-02T06:00:00.000004Z")
    assert (kpi["planned_s"], kpi["time_s"]["changeover"]) == (0.000003, 0.000003)
    assert (kpi["start"], kpi["end"]) == ("2026-03-02T06:00:00.000001Z", "2026-03-02T06:00:00.000004Z")


async def test_late_evidence_raises_the_revision(get: Get, send: Send) -> None:
    window = {"start": later(130), "end": later(150)}
    await send(snapshot(130, "1", "2", boot=2), own(2, 132, boot=2), snapshot(140, "1", "2", boot=2, seq=2))
    await send(own(3, 150, boot=2, type="wait", zone="1", phase="begin", **{"for": "tool"}))
    before = await get(f"/v1/kpi/{CELL}", **window)
    assert before["time_s"]["unknown"] > 0
    await send(own(1, 131, boot=2))
    after = await get(f"/v1/kpi/{CELL}", **window)
    assert (after["time_s"]["unknown"], after["revision"] - before["revision"]) == (0, 1)
    early, late = (await get("/v1/shifts/bench/line-1", day="2026-03-02"))["shifts"]
    whole = await get(f"/v1/kpi/{CELL}", shift=early["shift"])
    assert (early["revision"], late["revision"]) == (whole["revision"], 1)
    assert whole["revision"] >= after["revision"]


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text)


@pytest.mark.parametrize(
    ("unit", "there"),
    [(f"{CELL}/1", [f"{CELL}/1"]), (CELL, [CELL, f"{CELL}/1", f"{CELL}/2"]), ("bench/line-1", [CELL, OTHER])],
)
async def test_the_spans_of_a_timeline_partition_the_window(get: Get, unit: str, there: list[str]) -> None:
    found = await get(f"/v1/timeline/{unit}", start="2026-03-02T05:00:00Z", end="2026-03-02T20:00:00Z")
    assert (found["unit"], found["until"]) == (unit, NOW)
    assert [one["unit"] for one in found["units"]] == there
    for one in found["units"]:
        assert (one["spans"][0]["start"], one["spans"][-1]["end"]) == ("2026-03-02T05:00:00Z", NOW)
        assert all(before["end"] == after["start"] for before, after in pairwise(one["spans"]))
        assert all(_at(span["start"]) < _at(span["end"]) for span in one["spans"])


async def test_a_timeline_tells_why(get: Get) -> None:
    found = await get(f"/v1/timeline/{CELL}/1", start="2026-03-02T05:00:00Z", end="2026-03-02T09:00:00Z")
    told = [(span["start"], span["state"], span["reason"]) for span in found["units"][0]["spans"]]
    assert told == [
        (later(-60), "unknown", None),
        (later(0), "changeover", "setup"),
        (later(30), "fault", "clamp-force"),
        (later(60), "running", "process"),
        (later(120), "idle", "unexplained"),
        (later(120.5), "unknown", "silence"),
    ]


async def test_shifts_are_given_with_their_stops(get: Get) -> None:
    found = await get("/v1/shifts/bench/line-1", day="2026-03-02")
    early, late = found["shifts"]
    assert (found["line"], early["shift"], early["planned_s"], early["over"]) == (
        "bench/line-1",
        "2026-03-02/early",
        7.5 * 3600,
        True,
    )
    assert early["stops"] == [{"stop": "meal", "start": "2026-03-02T10:00:00Z", "end": "2026-03-02T10:30:00Z"}]
    assert (late["over"], late["revision"]) == (False, 1)
    assert await get(f"/v1/shifts/{CELL}", shift="2026-03-02/early") == found | {"unit": CELL, "shifts": [early]}


async def test_units_tell_how_they_stand_and_what_was_received(get: Get, send: Send) -> None:
    await send(snapshot(719.9, "1", "2", boot=2), own(7, 2), own(1, 719.95, boot=2, zone="9"))
    alarm = {"type": "alarm", "phase": "raise", "code": "e-stop", "severity": "stop", "shade": "red"}
    await send(own(1, 719.97, boot=2, **alarm))
    answer = await get("/v1/units")
    (site,) = answer["sites"]
    (line,) = site["lines"]
    first, second = line["cells"]
    assert (answer["plant_version"], site["unit"], line["unit"]) == (1, "bench", "bench/line-1")
    assert (first["unit"], first["state"], first["reason"], first["since"]) == (CELL, "fault", "e-stop", later(719.97))
    assert [(zone["unit"], zone["state"]) for zone in first["zones"]] == [
        (f"{CELL}/1", "fault"),
        (f"{CELL}/2", "fault"),
    ]
    assert first["last_message"] == later(719.97)
    received = first["received"]
    assert (received["refused"], received["unknown_fields"]) == (2, {"shade": 1})
    assert (received["events"], received["snapshots"]) == (107, 3)
    assert (second["unit"], second["state"], second["since"], second["last_message"]) == (OTHER, "unknown", None, None)
    assert second["received"]["events"] == 0


def _wrong() -> list[tuple[dict[str, Any], str, str]]:
    whole = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T08:00:00Z"}
    return [
        ({}, "window_invalid", "start and end"),
        ({"start": whole["start"]}, "window_invalid", "both start and end"),
        ({"end": whole["end"]}, "window_invalid", "both start and end"),
        ({"start": whole["end"], "end": whole["start"]}, "window_invalid", "after its start"),
        ({"start": whole["start"], "end": whole["start"]}, "window_invalid", "after its start"),
        (whole | {"day": "2026-03-02"}, "window_invalid", "either"),
        ({"start": "2020-01-01T00:00:00Z", "end": "2026-03-02T00:00:00Z"}, "window_invalid", "400 days"),
        ({"start": "2026-03-02T06:00:00", "end": whole["end"]}, "request_invalid", "offset"),
        ({"start": "2026-02-30T06:00:00Z", "end": whole["end"]}, "request_invalid", "there is no date 2026-02-30"),
        ({"start": "0001-01-01T00:00:00+23:59", "end": whole["end"]}, "request_invalid", "2000 to 2199"),
        ({"start": whole["start"], "end": "9999-12-31T23:59:59.999999-23:59"}, "request_invalid", "2000 to 2199"),
        ({"start": "1764050400", "end": whole["end"]}, "request_invalid", "RFC 3339"),
        ({"day": "9999-12-31"}, "request_invalid", "2000 to 2199"),
        ({"day": "0001-01-01"}, "request_invalid", "2000 to 2199"),
        ({"day": "2026-02-30"}, "request_invalid", "there is no date 2026-02-30"),
        ({"day": "20260302"}, "request_invalid", "2026-11-25"),
        ({"day": "2026-W10-1"}, "request_invalid", "2026-11-25"),
        ({"shift": "2026-03-02/night"}, "shift_unknown", "early, late"),
        ({"shift": "9999-12-31/early"}, "shift_unknown", "early, late"),
        ({"shift": "0000-00-00/early"}, "shift_unknown", "early, late"),
        ({"shift": "early"}, "shift_unknown", "2026-11-25/early"),
        ({"shift": "2026-03-02/early\0"}, "shift_unknown", "early, late"),
        ({"shift": "x" * 61}, "request_invalid", "60"),
        (whole | {"bu": "hour"}, "request_invalid", "not a parameter"),
    ]


@pytest.mark.parametrize("path", [f"/v1/kpi/{CELL}", f"/v1/timeline/{CELL}", "/v1/shifts/bench/line-1"])
async def test_a_window_that_cannot_be_answered_is_a_problem_that_says_what_would_be_right(
    told: httpx.AsyncClient, path: str
) -> None:
    for query, code, hint in _wrong():
        found = problem(await told.get(path, params=query), code)
        assert hint in found["detail"], (query, found["detail"])


async def test_a_plus_sign_that_became_a_space_is_named(told: httpx.AsyncClient) -> None:
    path = f"/v1/kpi/{CELL}?start=2026-03-02T06:00:00+00:00&end=2026-03-02T08:00:00Z"
    assert "%2B" in problem(await told.get(path), "request_invalid")["detail"]
    assert (await told.get(path.replace("+", "%2B"))).status_code == 200


@pytest.mark.parametrize(
    ("path", "query", "hint"),
    [
        ("/v1/kpi/bench", {"shift": "2026-03-02/early"}, "is a site"),
        ("/v1/kpi/bench", {"day": "2026-03-02", "by": "shift"}, "is a site"),
        ("/v1/shifts/bench", {"day": "2026-03-02"}, "is a site"),
        (f"/v1/kpi/{CELL}", {"start": "2026-01-01T00:00:00Z", "end": "2026-12-31T00:00:00Z", "by": "hour"}, "2000"),
        (f"/v1/timeline/{CELL}", {"start": "2026-01-01T00:00:00Z", "end": "2026-02-02T00:00:00Z"}, "31 days"),
    ],
)
async def test_a_window_that_this_unit_does_not_have_is_a_problem(
    told: httpx.AsyncClient, path: str, query: dict[str, str], hint: str
) -> None:
    assert hint in problem(await told.get(path, params=query), "window_invalid")["detail"]


async def test_a_split_that_there_is_not_is_a_problem(told: httpx.AsyncClient) -> None:
    found = problem(await told.get(f"/v1/kpi/{CELL}", params={"day": "2026-03-02", "by": "minute"}), "request_invalid")
    assert [one["place"] for one in found["errors"]] == ["query/by"]
    assert "week" in found["detail"]


@pytest.mark.parametrize("call", ["kpi", "timeline", "shifts"])
@pytest.mark.parametrize(
    "unit", ["", "nowhere", "bench/line-9", f"{CELL}/", f"{CELL}/9", "bench//line-1", "b%00c", "%ff", "a" * 5000]
)
async def test_an_unknown_unit_is_a_problem_that_names_what_there_is(
    told: httpx.AsyncClient, call: str, unit: str
) -> None:
    found = problem(await told.get(f"/v1/{call}/{unit}", params={"day": "2026-03-02"}), "unit_unknown")
    assert "bench" in found["detail"]
    assert found["detail"].isprintable()
    assert ("leave out the slash at its end" in found["detail"]) == (unit == f"{CELL}/")
