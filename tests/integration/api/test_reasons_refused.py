"""What nobody may say by POST /v1/reasons: each wrong, hostile or late request is a problem, and keeps nothing."""

import asyncio
import copy
import json
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get
from tests.integration.api.plant import CELL, PLANT, later
from tests.integration.api.problem import problem
from tests.integration.api.saying import SHIFT, read_kpi, say, undo
from zoneledger.api.reason_bodies import MAX_BODY_BYTES

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


async def test_what_a_name_should_be_is_said_without_a_pattern(told: httpx.AsyncClient) -> None:
    found = problem(await told.post("/v1/reasons", json=GOOD | {"by": "Ann Smith"}), "request_invalid")
    assert [one["detail"] for one in found["errors"]] == ["should be 1 to 40 of a-z, 0-9 and -"]


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
    await say(told, 30, 60, note=note)
    assert [row["note"] for row in (await get(f"/v1/reasons/{CELL}"))["entries"]] == [note]


@pytest.mark.parametrize("number", [0, -1, 2**53, "x", "1.5"])
async def test_a_number_that_no_entry_can_have_is_a_problem(told: httpx.AsyncClient, number: Any) -> None:
    problem(await undo(told, number), "request_invalid")


async def test_an_undo_of_nothing_of_what_is_undone_or_by_a_role_that_there_is_not_is_a_problem(
    told: httpx.AsyncClient,
) -> None:
    problem(await undo(told, 1), "entry_unknown")
    kept = await say(told, 30, 60)
    problem(await undo(told, kept["id"], by="visitor"), "role_unknown")
    first = await undo(told, kept["id"])
    assert first.status_code == 201
    problem(await undo(told, kept["id"]), "already_undone")
    assert (await undo(told, first.json()["id"])).status_code == 201
    assert (await read_kpi(told))["given_s"] == {"fault": {"clamp-force": {"crane": 1800}}}


async def test_of_many_undos_at_once_one_is_taken(told: httpx.AsyncClient, get: Get) -> None:
    kept = await say(told, 30, 60)
    answers = await asyncio.gather(*(undo(told, kept["id"]) for _ in range(8)))
    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 7
    assert len((await get(f"/v1/reasons/{CELL}"))["entries"]) == 2


async def test_a_site_without_roles_takes_no_reasons_and_keeps_those_that_it_has(told: httpx.AsyncClient) -> None:
    await say(told, 30, 60)
    before = await read_kpi(told)
    bare = copy.deepcopy(PLANT)
    del bare["sites"][0]["roles"], bare["sites"][0]["reasons"]
    assert (await told.put("/v1/plant", json=bare)).status_code == 200
    assert "declare them" in problem(await told.post("/v1/reasons", json=GOOD), "role_unknown")["detail"]
    after = await read_kpi(told)
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
