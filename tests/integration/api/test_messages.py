"""POST /v1/messages: the same verdicts as over a broker, and problems for bodies that are none."""

import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, own, snapshot
from tests.integration.api.problem import problem
from zoneledger.application.intake import Delivery
from zoneledger.bootstrap import Service
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES

PATH = "/v1/messages"


def _body(messages: str, cell: str = json.dumps(CELL)) -> bytes:
    return f'{{"cell": {cell}, "messages": {messages}}}'.encode()


async def test_messages_are_stored_once(send: Send) -> None:
    message = snapshot(130, "1", "2", boot=2)
    assert await send(message) == {"stored": 1, "duplicate": 0, "refused": []}
    assert await send(message) == {"stored": 0, "duplicate": 1, "refused": []}
    assert await send() == {"stored": 0, "duplicate": 0, "refused": []}


async def test_figures_read_after_the_answer_include_it(send: Send, get: Get) -> None:
    window = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T09:00:00Z"}
    before = await get(f"/v1/kpi/{CELL}", **window)
    made = {"type": "fastener", "zone": "1", "operation": "fasten", "result": "good"}
    await send(snapshot(125, "1", "2", boot=2), own(1, 126, boot=2, **made))
    after = await get(f"/v1/kpi/{CELL}", **window)
    assert after["fasteners"]["made"] == before["fasteners"]["made"] + 1


async def test_one_bad_message_does_not_cost_the_others(send: Send, get: Get) -> None:
    answer = await send(
        snapshot(130, "1", boot=2), own(1, 131, boot=2, zone="9"), 42, snapshot(132, "1", boot=2, seq=1)
    )
    assert answer["stored"] == 2
    assert [(one["index"], one["reason"]) for one in answer["refused"]] == [(1, "unknown_zone"), (2, "not_an_object")]
    kept = (await get("/v1/refused"))["refused"]
    assert [(one["index"], one["reason"], one["origin"]) for one in kept] == [
        (1, "unknown_zone", "http"),
        (2, "not_an_object", "http"),
    ]
    assert kept[1]["text"] == "42"


async def test_an_unknown_cell_has_all_its_messages_refused_and_kept(send: Send, get: Get) -> None:
    answer = await send(own(1), own(2), cell="bench/line-1/cell-9")
    assert [(one["index"], one["reason"]) for one in answer["refused"]] == [(0, "unknown_cell"), (1, "unknown_cell")]
    kept = await get("/v1/refused", cell="bench/line-1/cell-9")
    assert [json.loads(one["text"]) for one in kept["refused"]] == [own(1), own(2)]


DEEP = "[" * 40_000 + "]" * 40_000
#: Messages that only raw text can hold.
RAW = {
    "not a number": '{"v": 1, "boot": 1, "seq": 900, "at": "2026-03-02T08:00:00Z", "type": "own", "force": NaN}',
    "infinite": '{"v": 1, "boot": 1, "seq": 900, "at": "2026-03-02T08:00:00Z", "type": "own", "force": 1e999}',
    "repeated field": '{"v": 1, "boot": 1, "seq": 900, "seq": 901, "at": "2026-03-02T08:00:00Z", "type": "own"}',
    "deep": '{"v": 1, "boot": 1, "seq": 900, "at": "2026-03-02T08:00:00Z", "type": "own", "data": [[[[[[[[1]]]]]]]]}',
    "too deep to decode": '{"v": 1, "type": "own", "data": ' + DEEP + "}",
    "long number": '{"v": 1, "boot": ' + "9" * 5000 + "}",
    "half a surrogate pair": '{"v": 1, "boot": 1, "seq": 900, "at": "2026-03-02T08:00:00Z", "type": "own", "x": "\\ud800"}',
    "NUL": '{"v": 1, "boot": 1, "seq": 900, "at": "2026-03-02T08:00:00Z", "type": "own", "x": "\\u0000"}',
    "several": '{"a": 1}, {"v": 2}, [], "text, with ] and \\" in it", {"v": 1, "v": 1}',
}


@pytest.mark.parametrize("name", RAW)
async def test_the_verdict_is_that_of_a_broker(told: httpx.AsyncClient, service: Service, name: str) -> None:
    messages = f"[ {RAW[name]} ]"
    answer = await told.post(PATH, content=_body(messages), headers={"content-type": "application/json"})
    assert answer.status_code == 200, answer.text
    over_mqtt = await service.recorder.record(Delivery(CELL, messages.encode(), "cells/v1/bench/line-1/cell-1/events"))
    assert answer.json()["refused"] == [
        {"index": one.index, "reason": one.reason, "detail": one.detail} for one in over_mqtt.refused
    ]
    assert over_mqtt.refused
    texts = [one["text"] for one in (await told.get("/v1/refused")).json()["refused"]]
    half = len(texts) // 2
    assert texts[:half] == texts[half:]


@pytest.mark.parametrize("number", [1000, 1001])
async def test_a_thousand_messages_are_taken_at_once(told: httpx.AsyncClient, number: int) -> None:
    answer = await told.post(PATH, json={"cell": CELL, "messages": [0] * number})
    if number == 1000:
        assert len(answer.json()["refused"]) == number
    else:
        assert "1000" in problem(answer, "request_invalid")["detail"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"not json",
        b'{"cell": "a/b/c", "messages": [}',
        b'{"cell": "a/b/c", "messages": [1 2]}',
        b'{"cell": "a/b/c", "messages": []} trailing',
        b'{"cell": "a\xff", "messages": []}',
        b"\xef\xbb\xbf{}",
    ],
)
async def test_a_body_that_is_not_json_in_utf_8_is_a_problem(api: httpx.AsyncClient, body: bytes) -> None:
    answer = await api.post(PATH, content=body, headers={"content-type": "application/json"})
    assert problem(answer, "body_invalid")["status"] == 400


@pytest.mark.parametrize(
    ("body", "place"),
    [
        (b"[]", None),
        (b"NaN", None),
        (b"{}", "body/cell"),
        (b'{"cell": "a/b/c"}', "body/messages"),
        (b'{"cell": "a/b/c", "messages": {}}', "body/messages"),
        (b'{"cell": "a/b/c", "messages": null}', "body/messages"),
        (b'{"cell": 1, "messages": []}', "body/cell"),
        (b'{"cell": "", "messages": []}', "body/cell"),
        (b'{"cell": "a\\u0000b", "messages": []}', "body/cell"),
        (b'{"cell": "a\\ud800", "messages": []}', "body/cell"),
        (b'{"cell": "' + b"a" * 201 + b'", "messages": []}', "body/cell"),
        (b'{"cell": "a/b/c", "messages": [], "more\\ud800": 1}', "body/more\ud800"),
        (b'{"cell": "a/b/c", "cell": "a/b/d", "messages": []}', None),
        (b'{"cell": ' + DEEP.encode() + b', "messages": []}', "body/cell"),
        (b'{"cell": "a/b/c", "messages": {"deep": ' + DEEP.encode() + b"}}", "body/messages"),
        (DEEP.encode(), None),
    ],
)
async def test_a_body_of_another_shape_is_a_problem(api: httpx.AsyncClient, body: bytes, place: str | None) -> None:
    answer = await api.post(PATH, content=body, headers={"content-type": "application/json"})
    places = [one["place"] for one in problem(answer, "request_invalid")["errors"]]
    assert place in places if place else places == []


@pytest.mark.parametrize("declared", [True, False])
async def test_a_body_over_256_kib_is_a_problem_as_soon_as_it_is_known(api: httpx.AsyncClient, declared: bool) -> None:
    sent = 0

    async def stream() -> AsyncIterator[bytes]:
        nonlocal sent
        for _ in range(1024):
            sent += 1
            yield b" " * 4096

    length = {"content-length": str(1024 * 4096)} if declared else {}
    answer = await api.post(PATH, content=stream(), headers={"content-type": "application/json"} | length)
    assert str(MAX_PAYLOAD_BYTES) in problem(answer, "body_too_large")["detail"]
    assert sent < 1024 // 4


async def test_a_body_of_just_256_kib_is_taken(told: httpx.AsyncClient) -> None:
    body = _body("[]").ljust(MAX_PAYLOAD_BYTES)
    answer = await told.post(PATH, content=body, headers={"content-type": "application/json"})
    assert answer.json() == {"stored": 0, "duplicate": 0, "refused": []}


@pytest.mark.parametrize(
    "headers",
    [
        {"content-type": "application/x-www-form-urlencoded"},
        {"content-type": ""},
        {"content-type": "application/json", "content-encoding": "gzip"},
    ],
)
async def test_a_body_of_another_kind_is_a_problem(api: httpx.AsyncClient, headers: dict[str, str]) -> None:
    problem(await api.post(PATH, content=_body("[]"), headers=headers), "media_type")


async def test_a_body_without_a_content_type_is_read_as_json(told: httpx.AsyncClient) -> None:
    answer: Any = await told.post(PATH, content=_body("[]"))
    assert "content-type" not in answer.request.headers
    assert answer.status_code == 200
