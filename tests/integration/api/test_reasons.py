"""POST /v1/reasons and its undo, GET /v1/reasons and /v1/questions: what people say, beside what the machine says."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, later, snapshot
from tests.integration.api.saying import SHIFT, read_kpi, say, undo
from tests.scenarios.story import Message

ZONE = f"{CELL}/1"

#: The cell set up from 06:00 to 06:30, in fault to 07:00 and ran to 08:00; then nothing is known but this hour.
IDLE: list[Message] = [snapshot(120, "1", "2", boot=2), snapshot(180, "1", "2", boot=2)]


async def test_figures_name_the_machines_reason_and_the_given_one_and_their_sums_stay(
    told: httpx.AsyncClient, send: Send
) -> None:
    await send(*IDLE)
    before = await read_kpi(told)
    assert before["given_s"] == {}
    await say(told, 100, 150)
    await say(told, 40, 50, "sensor", note="dust on the sensor")
    after = await read_kpi(told)
    assert after["given_s"] == {
        "fault": {"clamp-force": {"sensor": 600}},
        "idle": {"unexplained": {"crane": 1800}},
    }
    assert after["revision"] == before["revision"] + 2
    changed = {name for name in after if after[name] != before[name]}
    assert changed == {"given_s", "revision", "warnings"}


async def test_losses_are_ranked_by_the_machines_reason_and_by_the_given_one_with_the_same_sums(
    told: httpx.AsyncClient, get: Get, send: Send
) -> None:
    await send(*IDLE)
    before = await get(f"/v1/losses/{CELL}", **SHIFT)
    await say(told, 40, 150)
    after = await get(f"/v1/losses/{CELL}", **SHIFT)
    assert (after["steps"], after["planned_s"]) == (before["steps"], before["planned_s"])
    for order in ("by_time", "by_count"):
        assert [{**row, "given": {}} for row in after["reasons"][order]] == before["reasons"][order]
    named = {(row["state"], row["reason"]): row["given"] for row in after["reasons"]["by_time"] if row["given"]}
    assert named == {("fault", "clamp-force"): {"crane": 1200}, ("idle", "unexplained"): {"crane": 1800}}
    rows = [(row["state"], row["given"], row["reason"], row["lost_s"]) for row in after["reasons"]["by_given"]]
    assert ("idle", "crane", None, 1800) in rows
    assert ("fault", "crane", None, 1200) in rows
    assert ("fault", None, "clamp-force", 600) in rows
    assert [row[3] for row in rows] == sorted((row[3] for row in rows), reverse=True)
    assert sum(row[3] for row in rows) == sum(row["lost_s"] for row in after["reasons"]["by_time"])


async def test_a_series_shares_the_given_time_out_among_its_windows(told: httpx.AsyncClient, send: Send) -> None:
    await send(*IDLE)
    await say(told, 30, 150)
    series = (await read_series(told, "hour"))["series"]
    assert [row["given_s"] for row in series[:3]] == [
        {"fault": {"clamp-force": {"crane": 1800}}},
        {},
        {"idle": {"unexplained": {"crane": 1800}}},
    ]


async def read_series(api: httpx.AsyncClient, by: str) -> Any:
    return (await api.get(f"/v1/kpi/{CELL}", params={**SHIFT, "by": by})).json()


async def test_time_outside_planned_time_has_no_given_time_in_the_figures_and_has_it_in_the_timeline(
    told: httpx.AsyncClient, send: Send
) -> None:
    """The meal is from 10:00 to 10:30."""
    await send(snapshot(230, "1", "2", boot=2), snapshot(290, "1", "2", boot=2))
    await say(told, 235, 275)
    assert (await read_kpi(told))["given_s"] == {"idle": {"unexplained": {"crane": 600}}}
    window = {"start": later(230), "end": later(280)}
    cell = (await told.get(f"/v1/timeline/{CELL}", params=window)).json()["units"][0]
    shown = [(span["start"], span["reason"], span["given"]) for span in cell["spans"]]
    assert shown == [
        (later(230), "unexplained", None),
        (later(235), "unexplained", "crane"),
        (later(275), "unexplained", None),
    ]


async def test_the_timeline_names_the_entry_that_gave_the_reason(told: httpx.AsyncClient, get: Get) -> None:
    kept = await say(told, 40, 50, unit=ZONE)
    (timeline,) = (await get(f"/v1/timeline/{ZONE}", start=later(30), end=later(60)))["units"]
    assert [
        (span["start"], span["state"], span["reason"], span["given"], span["given_id"]) for span in timeline["spans"]
    ] == [
        (later(30), "fault", "clamp-force", None, None),
        (later(40), "fault", "clamp-force", "crane", kept["id"]),
        (later(50), "fault", "clamp-force", None, None),
    ]


async def test_the_history_tells_who_when_why_and_what_each_entry_does_now(told: httpx.AsyncClient, get: Get) -> None:
    first = await say(told, 30, 60, note="crane was at line 2")
    second = await say(told, 45, 60, "sensor", by="maintenance", unit=ZONE)
    taken = await say(told, 50, 60, None)
    gone = (await undo(told, second["id"], note="the other zone")).json()
    assert [one["in_effect_s"] for one in (first, second, taken, gone)] == [1800, 900, 600, None]
    page = await get(f"/v1/reasons/{CELL}")
    assert (page["unit"], page["next"]) == (CELL, None)
    assert page["entries"][0] == {
        "id": first["id"],
        "unit": CELL,
        "start": later(30),
        "end": later(60),
        "reason": "crane",
        "undoes": None,
        "by": "shift-lead",
        "note": "crane was at line 2",
        "recorded": NOW,
        "stands": True,
        "in_effect_s": 1200,
    }
    assert [
        (row["unit"], row["by"], row["reason"], row["undoes"], row["stands"], row["in_effect_s"])
        for row in page["entries"][1:]
    ] == [
        (ZONE, "maintenance", "sensor", None, False, 0),
        (CELL, "shift-lead", None, None, True, 600),
        (ZONE, "shift-lead", None, second["id"], True, None),
    ]
    assert [row["id"] for row in (await get(f"/v1/reasons/{ZONE}"))["entries"]] == [second["id"], gone["id"]]
    one = await get(f"/v1/reasons/{CELL}", limit=3)
    rest = await get(f"/v1/reasons/{CELL}", limit=3, after=one["next"])
    assert (one["entries"] + rest["entries"], rest["next"]) == (page["entries"], None)


async def test_changes_name_the_role_that_caused_them(told: httpx.AsyncClient, get: Get) -> None:
    kept = await say(told, 30, 60, unit=ZONE)
    await undo(told, kept["id"], by="maintenance")
    rows = (await get(f"/v1/revisions/{ZONE}", **SHIFT))["revisions"]
    assert [(row["unit"], row["cause"]) for row in rows if "reason" in row["cause"]] == [
        (ZONE, "reason given by shift-lead"),
        (ZONE, "given reason undone by maintenance"),
    ]
    assert not any("reason" in row["cause"] for row in (await get(f"/v1/revisions/{CELL}", **SHIFT))["revisions"])


async def test_open_questions_are_asked_of_planned_time_the_longest_first(
    told: httpx.AsyncClient, get: Get, send: Send
) -> None:
    """From 09:50 to 10:50 nothing happens; the meal is from 10:00 to 10:30."""
    await send(snapshot(230, "1", "2", boot=2), snapshot(290, "1", "2", boot=2))
    found = await get(f"/v1/questions/{CELL}", faults=True, **SHIFT)
    assert [
        (row["unit"], row["start"], row["length_s"], row["state"], row["reason"]) for row in found["questions"]
    ] == [
        (CELL, later(30), 1800, "fault", "clamp-force"),
        (CELL, later(270), 1230, "idle", "unexplained"),
        (CELL, later(230), 600, "idle", "unexplained"),
    ]
    assert (found["number"], found["total_s"]) == (3, 3630)
    await say(told, 270, 290)
    assert (await get(f"/v1/questions/{CELL}", **SHIFT))["number"] == 1
    assert (await get(f"/v1/questions/{CELL}", longer_than=600, **SHIFT))["questions"] == []
    line = await get("/v1/questions/bench/line-1", limit=1, faults=True, **SHIFT)
    assert ([row["unit"] for row in line["questions"]], line["number"]) == ([CELL], 2)


@pytest.mark.parametrize(
    "window", [{"day": "2027-03-02"}, {"day": "2025-03-02"}, {"start": NOW, "end": "2026-03-03T00:00:00Z"}]
)
async def test_windows_without_evidence_or_time_yet_have_no_questions(get: Get, window: dict[str, str]) -> None:
    found = await get("/v1/questions/bench", faults=True, **window)
    assert (found["questions"], found["number"], found["total_s"]) == ([], 0, 0)
