"""POST /v1/reasons and its undo, GET /v1/reasons and /v1/questions: what people say, beside what the machine says."""

import asyncio
import copy
import json
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, PLANT, later, snapshot
from tests.integration.api.problem import problem
from tests.scenarios.story import Message
from zoneledger.api.reason_bodies import MAX_BODY_BYTES

ZONE = f"{CELL}/1"
SHIFT = {"shift": "2026-03-02/early"}


async def _say(api: httpx.AsyncClient, start: float, end: float, reason: str | None = "crane", **fields: Any) -> Any:
    """Give a reason over minutes after 06:00, unless told to the cell by a shift lead."""
    body = {"unit": CELL, "start": later(start), "end": later(end), "reason": reason, "by": "shift-lead"} | fields
    answer = await api.post("/v1/reasons", json=body)
    assert answer.status_code == 201, answer.text
    return answer.json()


async def _undo(api: httpx.AsyncClient, number: int, **fields: Any) -> httpx.Response:
    return await api.post(f"/v1/reasons/{number}/undo", json={"by": "shift-lead"} | fields)


async def _kpi(api: httpx.AsyncClient, unit: str = CELL, **window: Any) -> Any:
    found = (await api.get(f"/v1/kpi/{unit}", params=window or SHIFT)).json()
    for state, reasons in found["given_s"].items():
        for reason, given in reasons.items():
            assert 0 < sum(given.values()) <= found["reasons_s"][state][reason]
    return found


#: The cell set up from 06:00 to 06:30, in fault to 07:00 and ran to 08:00; then nothing is known but this hour.
IDLE: list[Message] = [snapshot(120, "1", "2", boot=2), snapshot(180, "1", "2", boot=2)]


async def test_figures_name_the_machines_reason_and_the_given_one_and_their_sums_stay(
    told: httpx.AsyncClient, send: Send
) -> None:
    await send(*IDLE)
    before = await _kpi(told)
    assert before["given_s"] == {}
    await _say(told, 100, 150)
    await _say(told, 40, 50, "sensor", note="dust on the sensor")
    after = await _kpi(told)
    assert after["given_s"] == {
        "fault": {"clamp-force": {"sensor": 600}},
        "idle": {"unexplained": {"crane": 1800}},
    }
    assert after["revision"] == before["revision"] + 2
    changed = {name for name in after if after[name] != before[name]}
    assert changed == {"given_s", "revision"}


async def test_losses_are_ranked_by_the_machines_reason_and_by_the_given_one_with_the_same_sums(
    told: httpx.AsyncClient, get: Get, send: Send
) -> None:
    await send(*IDLE)
    before = await get(f"/v1/losses/{CELL}", **SHIFT)
    await _say(told, 40, 150)
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
    await _say(told, 30, 150)
    series = (await _kpi_series(told, "hour"))["series"]
    assert [row["given_s"] for row in series[:3]] == [
        {"fault": {"clamp-force": {"crane": 1800}}},
        {},
        {"idle": {"unexplained": {"crane": 1800}}},
    ]


async def _kpi_series(api: httpx.AsyncClient, by: str) -> Any:
    return (await api.get(f"/v1/kpi/{CELL}", params={**SHIFT, "by": by})).json()


async def test_time_outside_planned_time_has_no_given_time_in_the_figures_and_has_it_in_the_timeline(
    told: httpx.AsyncClient, send: Send
) -> None:
    """The meal is from 10:00 to 10:30."""
    await send(snapshot(230, "1", "2", boot=2), snapshot(290, "1", "2", boot=2))
    await _say(told, 235, 275)
    assert (await _kpi(told))["given_s"] == {"idle": {"unexplained": {"crane": 600}}}
    window = {"start": later(230), "end": later(280)}
    cell = (await told.get(f"/v1/timeline/{CELL}", params=window)).json()["units"][0]
    shown = [(span["start"], span["reason"], span["given"]) for span in cell["spans"]]
    assert shown == [
        (later(230), "unexplained", None),
        (later(235), "unexplained", "crane"),
        (later(275), "unexplained", None),
    ]


async def test_the_timeline_names_the_entry_that_gave_the_reason(told: httpx.AsyncClient, get: Get) -> None:
    kept = await _say(told, 40, 50, unit=ZONE)
    (timeline,) = (await get(f"/v1/timeline/{ZONE}", start=later(30), end=later(60)))["units"]
    assert [
        (span["start"], span["state"], span["reason"], span["given"], span["given_id"]) for span in timeline["spans"]
    ] == [
        (later(30), "fault", "clamp-force", None, None),
        (later(40), "fault", "clamp-force", "crane", kept["id"]),
        (later(50), "fault", "clamp-force", None, None),
    ]


async def test_the_history_tells_who_when_why_and_what_each_entry_does_now(told: httpx.AsyncClient, get: Get) -> None:
    first = await _say(told, 30, 60, note="crane was at line 2")
    second = await _say(told, 45, 60, "sensor", by="maintenance", unit=ZONE)
    taken = await _say(told, 50, 60, None)
    undo = (await _undo(told, second["id"], note="the other zone")).json()
    assert [one["in_effect_s"] for one in (first, second, taken, undo)] == [1800, 900, 600, None]
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
    assert [row["id"] for row in (await get(f"/v1/reasons/{ZONE}"))["entries"]] == [second["id"], undo["id"]]
    one = await get(f"/v1/reasons/{CELL}", limit=3)
    rest = await get(f"/v1/reasons/{CELL}", limit=3, after=one["next"])
    assert (one["entries"] + rest["entries"], rest["next"]) == (page["entries"], None)


async def test_changes_name_the_role_that_caused_them(told: httpx.AsyncClient, get: Get) -> None:
    kept = await _say(told, 30, 60, unit=ZONE)
    await _undo(told, kept["id"], by="maintenance")
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
    await _say(told, 270, 290)
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


GOOD = {"unit": CELL, "start": later(30), "end": later(60), "reason": "crane", "by": "shift-lead"}
WRONG: list[tuple[dict[str, Any], str, str]] = [
    ({"unit": "bench/line-1/cell-9"}, "unit_unknown", "cell-1"),
    ({"unit": ""}, "unit_unknown", "bench"),
    ({"unit": "bench/line-1"}, "level_wrong", "line"),
    ({"unit": "bench"}, "level_wrong", "site"),
    ({"reason": "weather"}, "reason_unknown", "crane, sensor"),
    ({"reason": "unexplained"}, "reason_unknown", "crane, sensor"),
    ({"by": "visitor"}, "role_unknown", "shift-lead, maintenance"),
    ({"start": later(60), "end": later(30)}, "window_invalid", "after the start"),
    ({"start": later(30), "end": later(30)}, "window_invalid", "after the start"),
    ({"end": "2026-03-02T18:00:00.000001Z"}, "window_invalid", "not lie after now"),
    ({"start": "2026-01-30T05:59:59Z"}, "window_invalid", "31 days"),
]


@pytest.mark.parametrize(("wrong", "code", "sentence"), WRONG)
async def test_what_cannot_be_is_a_problem_that_says_what_would_be_right_and_keeps_nothing(
    told: httpx.AsyncClient, get: Get, wrong: dict[str, Any], code: str, sentence: str
) -> None:
    found = problem(await told.post("/v1/reasons", json=GOOD | wrong), code)
    assert sentence in found["detail"]
    assert (await get("/v1/reasons/bench"))["entries"] == []


HOSTILE: list[tuple[dict[str, Any], str]] = [
    ({"unit": 7}, "body/unit"),
    ({"unit": "x" * 201}, "body/unit"),
    ({"unit": ["bench"]}, "body/unit"),
    ({"reason": "No Panel"}, "body/reason"),
    ({"reason": ""}, "body/reason"),
    ({"reason": 0}, "body/reason"),
    ({"reason": "a" * 41}, "body/reason"),
    ({"by": None}, "body/by"),
    ({"by": "Ann Smith"}, "body/by"),
    ({"start": "yesterday"}, "body/start"),
    ({"start": 1772431200}, "body/start"),
    ({"start": "2026-03-02T06:30:00"}, "body/start"),
    ({"start": "1970-01-01T00:00:00Z"}, "body/start"),
    ({"end": "2026-03-02T24:30:00Z"}, "body/end"),
    ({"end": None}, "body/end"),
    ({"note": "x" * 501}, "body/note"),
    ({"note": 5}, "body/note"),
    ({"note": None}, "body/note"),
    ({"id": 5}, "body/id"),
]


@pytest.mark.parametrize(("wrong", "place"), HOSTILE, ids=lambda value: str(value)[:40])
async def test_a_body_of_another_shape_is_a_problem_at_its_place(
    told: httpx.AsyncClient, get: Get, wrong: dict[str, Any], place: str
) -> None:
    found = problem(await told.post("/v1/reasons", json=GOOD | wrong), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [place]
    assert (await get("/v1/reasons/bench"))["entries"] == []


@pytest.mark.parametrize("missing", sorted(GOOD))
async def test_each_field_but_the_note_has_to_be_given(told: httpx.AsyncClient, missing: str) -> None:
    body = {name: value for name, value in GOOD.items() if name != missing}
    found = problem(await told.post("/v1/reasons", json=body), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [f"body/{missing}"]


UNREADABLE = [
    b"",
    b"\xff",
    b"{",
    b'{"by": "shift-lead", "by": "maintenance"}',
    json.dumps(GOOD | {"note": "a\u0000b"}).encode(),
    json.dumps(GOOD | {"note": "a\nb"}).encode(),
    json.dumps(GOOD | {"note": "\x9b31m"}).encode(),
    json.dumps(GOOD | {"note": "\ud800"}).encode(),
    b'{"note": ' + b"[" * 5000 + b"]" * 5000 + b"}",
    b'{"note": 1e999}',
]


@pytest.mark.parametrize("body", UNREADABLE, ids=lambda body: str(body)[:30])
@pytest.mark.parametrize("path", ["/v1/reasons", "/v1/reasons/1/undo"])
async def test_what_is_no_json_or_holds_control_characters_is_a_problem(
    told: httpx.AsyncClient, path: str, body: bytes
) -> None:
    problem(await told.post(path, content=body), "body_invalid")


@pytest.mark.parametrize("path", ["/v1/reasons", "/v1/reasons/1/undo"])
async def test_a_body_that_is_too_large_of_another_type_or_no_object_is_a_problem(
    told: httpx.AsyncClient, path: str
) -> None:
    problem(await told.post(path, content=b" " * (MAX_BODY_BYTES + 1)), "body_too_large")
    problem(await told.post(path, content=b"by=me", headers={"content-type": "text/plain"}), "media_type")
    bodies: list[Any] = [[], "x", 7, None]
    for body in bodies:
        problem(await told.post(path, content=json.dumps(body)), "request_invalid")


async def test_a_note_of_500_characters_of_any_script_comes_back_as_it_was(told: httpx.AsyncClient, get: Get) -> None:
    note = "\N{WRENCH}\u2028'; DROP TABLE given_reasons; -- <script>"
    note += "\N{LATIN SMALL LETTER E WITH ACUTE}" * (500 - len(note))
    await _say(told, 30, 60, note=note)
    assert [row["note"] for row in (await get(f"/v1/reasons/{CELL}"))["entries"]] == [note]


@pytest.mark.parametrize("number", [0, -1, 2**53, "x", "1.5"])
async def test_a_number_that_no_entry_can_have_is_a_problem(told: httpx.AsyncClient, number: Any) -> None:
    problem(await _undo(told, number), "request_invalid")


async def test_an_undo_of_nothing_of_what_is_undone_or_by_a_role_that_there_is_not_is_a_problem(
    told: httpx.AsyncClient,
) -> None:
    problem(await _undo(told, 1), "entry_unknown")
    kept = await _say(told, 30, 60)
    problem(await _undo(told, kept["id"], by="visitor"), "role_unknown")
    first = await _undo(told, kept["id"])
    assert first.status_code == 201
    problem(await _undo(told, kept["id"]), "already_undone")
    assert (await _undo(told, first.json()["id"])).status_code == 201
    assert (await _kpi(told))["given_s"] == {"fault": {"clamp-force": {"crane": 1800}}}


async def test_of_many_undos_at_once_one_is_taken(told: httpx.AsyncClient, get: Get) -> None:
    kept = await _say(told, 30, 60)
    answers = await asyncio.gather(*(_undo(told, kept["id"]) for _ in range(8)))
    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 7
    assert len((await get(f"/v1/reasons/{CELL}"))["entries"]) == 2


async def test_a_site_without_roles_takes_no_reasons_and_keeps_those_that_it_has(told: httpx.AsyncClient) -> None:
    await _say(told, 30, 60)
    before = await _kpi(told)
    bare = copy.deepcopy(PLANT)
    del bare["sites"][0]["roles"], bare["sites"][0]["reasons"]
    assert (await told.put("/v1/plant", json=bare)).status_code == 200
    assert "declare them" in problem(await told.post("/v1/reasons", json=GOOD), "role_unknown")["detail"]
    after = await _kpi(told)
    assert (after["given_s"], after["revision"]) == (before["given_s"], before["revision"])


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ({"longer_than": "-1"}, "query/longer_than"),
        ({"longer_than": "nan"}, "query/longer_than"),
        ({"longer_than": "inf"}, "query/longer_than"),
        ({"faults": "some"}, "query/faults"),
        ({"limit": "0"}, "query/limit"),
        ({"limit": "1001"}, "query/limit"),
        ({"by": "hour"}, "query/by"),
    ],
)
async def test_wrong_parameters_of_questions_are_problems_at_their_place(
    told: httpx.AsyncClient, query: dict[str, str], place: str
) -> None:
    found = problem(await told.get(f"/v1/questions/{CELL}", params={**SHIFT, **query}), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [place]


async def test_questions_of_more_than_31_days_and_of_no_window_are_problems(told: httpx.AsyncClient) -> None:
    long = {"start": "2026-01-01T00:00:00Z", "end": "2026-02-01T00:00:01Z"}
    problem(await told.get(f"/v1/questions/{CELL}", params=long), "window_invalid")
    problem(await told.get(f"/v1/questions/{CELL}"), "window_invalid")
    problem(await told.get("/v1/questions/nowhere", params=SHIFT), "unit_unknown")
    problem(await told.get("/v1/reasons/nowhere"), "unit_unknown")
