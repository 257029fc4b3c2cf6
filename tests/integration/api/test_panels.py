"""GET /v1/panels and /v1/prospects: what a morning of panels comes to, and what is asked wrongly."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem

#: After the begin of the first panel, with which the morning's is over, whose unload nobody told.
WINDOW = {"start": later(241), "end": later(480)}


class Told:
    """What a cell tells of panels from minute 240 on, in its second boot."""

    def __init__(self) -> None:
        self.seq = 0
        self.messages: list[dict[str, Any]] = [snapshot(240, "1", "2", boot=2)]

    def event(self, minute: float, kind: str, zone: str = "1", **fields: Any) -> None:
        self.seq += 1
        named = {{"because": "for"}.get(name, name): value for name, value in fields.items()}
        self.messages.append(own(self.seq, minute, boot=2, type=kind, zone=zone, **named))

    def activity(self, name: str, start: float, end: float, zone: str = "1", **fields: Any) -> None:
        outcome = fields.pop("outcome", None)
        self.event(start, "activity", zone, activity=name, phase="begin", **fields)
        self.event(end, "activity", zone, activity=name, phase="end", **({"outcome": outcome} if outcome else {}))

    def panel(self, start: float, panel: str, good: int = 3, outcome: str = "completed") -> None:
        """Tell of a panel that is loaded for 10 min, waits 5 for a tool, is processed for 30 and unloaded for 5."""
        about: dict[str, Any] = {"panel": panel, "program": "skin", "planned": {"automatic": 4, "manual": 1}}
        self.activity("load", start, start + 10, **about)
        self.event(start + 10, "wait", phase="begin", because="tool")
        self.event(start + 15, "wait", phase="end", because="tool")
        self.event(start + 15, "activity", activity="process", phase="begin", **about)
        for number in range(good):
            self.event(start + 20 + number, "fastener", operation="fasten", result="good", position=f"f{number}")
        self.event(start + 30, "fastener", operation="fasten", result="rework", position="f9")
        self.event(start + 45, "activity", activity="process", phase="end", outcome=outcome)
        self.activity("unload", start + 45, start + 50, panel=panel)


async def _morning(send: Send) -> None:
    told = Told()
    told.panel(240, "p-1")
    told.panel(300, "p-2", good=1, outcome="aborted")
    told.activity("load", 360, 370, panel="p-3", program="skin")
    told.event(380, "verdict", zone="1", panel="p-1", position="f9", result="good")
    told.messages.append(snapshot(400, "1", "2", boot=2, seq=told.seq))
    answer = await send(*told.messages)
    assert answer["refused"] == []


async def test_a_pass_is_told_with_its_times_and_fasteners(get: Get, send: Send) -> None:
    await _morning(send)
    told = await get(f"/v1/panels/{CELL}", **WINDOW)
    first, second = told["passes"]
    assert first == {
        "unit": f"{CELL}/1",
        "panel": "p-1",
        "program": "skin",
        "start": later(240),
        "end": later(290),
        "outcome": "completed",
        "whole": True,
        "floor_to_floor_s": 3000,
        "time_s": {"load": 600, "setup": 0, "process": 1800, "wait": 300, "fault": 0, "unload": 300, "unknown": 0},
        "waits_s": {"tool": 300},
        "faults_s": {},
        "fasteners": {
            "made": 4,
            "good": 4,
            "rework": 0,
            "reject": 0,
            "of_other_panels": 0,
            "automatic": 4,
            "manual": 1,
            "left_for_hand": 1,
        },
        "automation_level": 0.8,
    }
    assert (second["outcome"], second["fasteners"]["left_for_hand"], second["automation_level"]) == ("aborted", 3, 0.4)


async def test_a_program_sums_its_passes_and_what_is_present_is_told_apart(get: Get, send: Send) -> None:
    await _morning(send)
    told = await get(f"/v1/panels/{CELL}", **WINDOW)
    (skin,) = told["programs"]
    assert (skin["program"], skin["number"], skin["completed"], skin["aborted"]) == ("skin", 2, 1, 1)
    one = dict.fromkeys(("mean_s", "median_s", "p90_s", "shortest_s", "longest_s"), 3000)
    assert (skin["floor_to_floor"], skin["automation_level"]) == ({"count": 1} | one, 0.6)
    (present,) = told["present"]
    assert (present["panel"], present["outcome"], present["end"], present["whole"]) == ("p-3", "present", None, False)
    assert present["time_s"]["unknown"] == 80 * 60 - 30
    # In planned time: from minute 240 to 270 there is a meal.
    assert told["changeover_s"] == {"masked": 0, "unmasked": 1800}
    assert (told["number"], told["next"], told["until"]) == (2, None, later(480))


async def test_a_pass_belongs_to_the_window_in_which_it_ends(get: Get, send: Send) -> None:
    await _morning(send)

    async def panels(start: float, end: float) -> tuple[list[str | None], list[str]]:
        told = await get(f"/v1/panels/{CELL}/1", start=later(start), end=later(end))
        return [one["panel"] for one in told["passes"]], [one["panel"] for one in told["present"]]

    assert await panels(240, 290) == ([None], ["p-1"])
    assert await panels(241, 290) == ([], ["p-1"])
    assert await panels(290, 291) == (["p-1"], [])
    assert await panels(289, 301) == (["p-1"], ["p-2"])
    assert await panels(291, 351) == (["p-2"], [])
    assert await panels(352, 359) == ([], [])
    assert await panels(362, 365) == ([], ["p-3"])


async def test_a_pass_without_unload_belongs_to_the_window_in_which_another_one_follows(get: Get, send: Send) -> None:
    """What comes later without being late changes nothing of a window that was told: no revision would say so."""
    told = Told()
    told.activity("load", 240, 250, panel="p-1")
    told.activity("process", 255, 285, panel="p-1", outcome="completed")
    await send(*told.messages, snapshot(310, "1", "2", boot=2, seq=told.seq))
    before, after = ({"start": later(start), "end": later(end)} for start, end in ((240, 300), (300, 360)))
    first = await get(f"/v1/panels/{CELL}/1", **before)
    told.messages = []
    told.activity("load", 320, 330, panel="p-2")
    await send(*told.messages, snapshot(340, "1", "2", boot=2, seq=told.seq))
    assert await get(f"/v1/panels/{CELL}/1", **before) == first
    found = await get(f"/v1/panels/{CELL}/1", **after)
    assert [(one["panel"], one["end"], one["whole"]) for one in found["passes"]] == [("p-1", later(285), False)]
    assert [one["panel"] for one in found["present"]] == ["p-2"]


async def _of_zone_1(get: Get, start: float, end: float) -> tuple[list[Any], list[Any], list[str]]:
    told = await get(f"/v1/panels/{CELL}/1", start=later(start), end=later(end))
    return told["passes"], told["present"], [one["code"] for one in told["warnings"]]


def _panels(passes: list[Any]) -> list[tuple[str | None, int, int]]:
    """Return each pass's panel, what was made of it, and what was made in its time for another."""
    return [(one["panel"], one["fasteners"]["made"], one["fasteners"]["of_other_panels"]) for one in passes]


async def test_a_fasteners_own_panel_wins_over_that_of_the_pass_in_whose_time_it_was_made(get: Get, send: Send) -> None:
    """The change from p-1 to p-2 was lost: only fasteners, and then a snapshot, tell that p-2 is there."""
    told = Told()
    told.event(240, "activity", activity="process", phase="begin", panel="p-1")
    for minute, panel in ((245, None), (250, "p-2"), (255, "p-2"), (258, "p-9")):
        named = {"panel": panel} if panel else {}
        told.event(minute, "fastener", operation="fasten", result="good", **named)
    there = snapshot(260, "2", boot=2, seq=told.seq)
    there["zones"]["1"] = {"activity": "process", "panel": "p-2"}
    told.messages.append(there)
    told.event(265, "fastener", operation="fasten", result="good")
    told.event(270, "activity", activity="process", phase="end", outcome="completed")
    told.event(275, "fastener", operation="fasten", result="good", panel="p-3")
    told.activity("load", 280, 285, panel="p-3")
    told.messages.append(snapshot(300, "1", "2", boot=2, seq=told.seq))
    assert (await send(*told.messages))["refused"] == []
    passes, present, codes = await _of_zone_1(get, 241, 300)
    assert _panels(passes) == [("p-1", 1, 3), ("p-2", 3, 0)]
    assert _panels(present) == [("p-3", 1, 0)]
    assert "other_panels" in codes
    # What a pass was given from the time of the one before it, it has in a window that begins after that, too.
    assert _panels((await _of_zone_1(get, 279, 300))[0]) == [("p-2", 3, 0)]
    assert "other_panels" not in (await _of_zone_1(get, 279, 300))[2]


async def test_fasteners_of_a_pass_without_a_name_are_its_own_whatever_they_name(get: Get, send: Send) -> None:
    told = Told()
    told.event(240, "activity", activity="process", phase="begin")
    told.event(245, "fastener", operation="fasten", result="good", panel="p-1")
    told.messages.append(snapshot(246, "2", boot=2, seq=told.seq) | {"zones": {"1": {"activity": "process"}, "2": {}}})
    await send(*told.messages)
    assert _panels((await _of_zone_1(get, 241, 246))[1]) == [(None, 1, 0)]


async def test_a_present_pass_is_told_as_it_stood_at_the_windows_end(get: Get, send: Send) -> None:
    """What comes later without being late changes nothing of a window that was told, not even of what was present."""
    told = Told()
    told.activity("load", 240, 250)
    await send(*told.messages, snapshot(251, "1", "2", boot=2, seq=told.seq))
    first = await get(f"/v1/panels/{CELL}/1", start=later(241), end=later(251))
    assert [(one["panel"], one["program"], one["outcome"]) for one in first["present"]] == [(None, None, "present")]
    told.messages = []
    told.activity(
        "process", 252, 280, panel="p-1", program="skin", planned={"automatic": 4, "manual": 1}, outcome="completed"
    )
    told.activity("unload", 281, 285, panel="p-1")
    await send(*told.messages, snapshot(286, "1", "2", boot=2, seq=told.seq))
    assert await get(f"/v1/panels/{CELL}/1", start=later(241), end=later(251)) == first
    passes, present, _ = await _of_zone_1(get, 241, 270)
    assert passes == []
    (one,) = present
    assert (one["panel"], one["outcome"], one["end"], one["whole"]) == ("p-1", "present", None, False)
    assert [one["outcome"] for one in (await _of_zone_1(get, 241, 286))[0]] == ["completed"]


async def test_a_page_goes_on_where_the_last_one_ended(get: Get, send: Send) -> None:
    await _morning(send)
    whole = await get(f"/v1/panels/{CELL}", **WINDOW)
    first = await get(f"/v1/panels/{CELL}", **WINDOW, limit=1)
    second = await get(f"/v1/panels/{CELL}", **WINDOW, limit=1, after=first["next"])
    beyond = await get(f"/v1/panels/{CELL}", **WINDOW, after=7)
    assert (first["passes"] + second["passes"], first["next"], second["next"]) == (whole["passes"], 1, None)
    assert (beyond["passes"], beyond["next"], beyond["programs"]) == ([], None, whole["programs"])


@pytest.mark.parametrize("unit", ["bench", "bench/line-1", CELL, f"{CELL}/1", f"{CELL}/2", OTHER])
@pytest.mark.parametrize(
    "window",
    [
        {"day": "2026-03-05"},
        {"day": "2026-03-01"},
        {"start": later(0), "end": later(60)},
        {"start": NOW, "end": later(721)},
    ],
)
async def test_a_window_without_panels_is_empty(get: Get, unit: str, window: dict[str, str]) -> None:
    told = await get(f"/v1/panels/{unit}", **window)
    assert (told["passes"], told["programs"], told["number"], told["next"]) == ([], [], 0, None)


async def test_what_nobody_told_is_null(get: Get) -> None:
    """The morning's run has no panel, no program, no load and no planned counts."""
    told = await get(f"/v1/panels/{CELL}", start=later(0), end=later(130))
    assert told["passes"] == []
    (present,) = told["present"]
    assert (present["panel"], present["program"], present["floor_to_floor_s"]) == (None, None, None)
    fasteners = present["fasteners"]
    assert (fasteners["made"], fasteners["automatic"], fasteners["left_for_hand"]) == (100, None, None)
    assert present["automation_level"] is None


async def test_prospects_of_a_cell(get: Get, send: Send) -> None:
    await _morning(send)
    told = await get(f"/v1/prospects/{CELL}", start=later(291), end=later(480), factor=0.2)
    assert told["inputs"]["passes"] == 1
    assert told["inputs"]["changeover_s"] == {"load": 600, "unload": 300}
    assert told["inputs"]["waits_s"] == {"tool": 300, "unexplained": 600}
    # One pass: 10 min until its load, then 50; without four fifths of loading 48, and so on.
    rates = {(each["kind"], each["reason"]): each["gain"] for each in told["prospects"]}
    expected = {
        ("loading", None): 60 / 48 - 1,
        ("changeover_masked", None): 60 / 45 - 1,
        ("wait", "tool"): 60 / 56 - 1,
        ("wait", "unexplained"): 60 / 52 - 1,
    }
    assert rates == pytest.approx(expected)
    assert [each["gain"] for each in told["prospects"]] == sorted(rates.values(), reverse=True)
    measured = told["measured"]["passes_per_hour"]
    assert told["prospects"][0]["passes_per_hour"] == pytest.approx(measured * 60 / 45)
    assert {"few_passes"} <= {each["code"] for each in told["warnings"]}


@pytest.mark.parametrize(
    "window",
    [
        {"day": "2026-03-05"},
        {"day": "2026-02-01"},
        {"start": later(0), "end": later(1)},
        {"start": NOW, "end": later(721)},
    ],
)
async def test_a_window_without_passes_has_no_prospects(get: Get, window: dict[str, str]) -> None:
    told = await get(f"/v1/prospects/{CELL}", **window)
    model = {"passes_per_hour": None, "formula_passes_per_hour": None, "off": None}
    assert (told["prospects"], told["modelled"], told["inputs"]["head_s"]) == ([], model, None)


@pytest.mark.parametrize("unit", ["bench", "bench/line-1", f"{CELL}/1"])
async def test_prospects_of_a_unit_without_a_head_of_its_own_are_a_problem(told: httpx.AsyncClient, unit: str) -> None:
    found = problem(await told.get(f"/v1/prospects/{unit}", params={"day": "2026-03-02"}), "level_wrong")
    assert "cell" in found["detail"]


@pytest.mark.parametrize("call", ["panels", "prospects"])
@pytest.mark.parametrize(
    ("query", "code", "hint"),
    [
        ({}, "window_invalid", "start and end"),
        ({"start": "2026-01-01T00:00:00Z", "end": "2026-02-02T00:00:00Z"}, "window_invalid", "31 days"),
        ({"shift": "2026-03-02/dawn"}, "shift_unknown", "early"),
        ({"day": "2026-03-02", "panel": "p-1"}, "request_invalid", "panel"),
        ({"day": "2026-03-02", "limit": "0", "factor": "-1"}, "request_invalid", "query"),
    ],
)
async def test_what_is_asked_wrongly_is_a_problem(
    told: httpx.AsyncClient, call: str, query: dict[str, str], code: str, hint: str
) -> None:
    assert hint in problem(await told.get(f"/v1/{call}/{CELL}", params=query), code)["detail"]


@pytest.mark.parametrize("call", ["panels", "prospects"])
async def test_an_unknown_unit_is_a_problem(told: httpx.AsyncClient, call: str) -> None:
    problem(await told.get(f"/v1/{call}/bench/line-9", params={"day": "2026-03-02"}), "unit_unknown")


@pytest.mark.parametrize("factor", ["nan", "inf", "11"])
async def test_a_factor_that_is_none_is_a_problem(told: httpx.AsyncClient, factor: str) -> None:
    problem(await told.get(f"/v1/prospects/{CELL}", params={"day": "2026-03-02", "factor": factor}), "request_invalid")
