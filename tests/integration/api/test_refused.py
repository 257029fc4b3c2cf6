"""GET /v1/refused, its counts, and POST /v1/refused/retry: listed, counted, and booked once the plant model is mended."""

import copy
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW_US, OTHER, PLANT, later, morning, own, snapshot
from tests.integration.api.problem import problem
from zoneledger.application.intake import Delivery
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service

RETRY = "/v1/refused/retry"
WINDOW = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T14:00:00Z"}


def narrow() -> dict[str, Any]:
    """Return the plant with one cell only, and of its zones the second only."""
    plant = copy.deepcopy(PLANT)
    plant["sites"][0]["lines"][0]["cells"] = [{"cell": "cell-1", "zones": ["2"]}]
    return plant


async def _declare(api: httpx.AsyncClient, plant: dict[str, Any]) -> None:
    assert (await api.put("/v1/plant", json=plant)).status_code == 200


async def _retry(api: httpx.AsyncClient, **asked: Any) -> dict[str, Any]:
    answer = await api.post(RETRY, json=asked)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def _counted(counts: dict[str, Any]) -> dict[str, dict[str, int]]:
    return {
        "reasons": {row["reason"]: row["number"] for row in counts["reasons"]},
        "cells": {row["cell"]: row["number"] for row in counts["cells"]},
    }


async def test_refused_bytes_that_are_not_utf_8_are_shown_replaced(get: Get, service: Service) -> None:
    topic = "cells/v1/bench/line-1/cell-1/events"
    await service.recorder.record(Delivery(CELL, b'{"v": \xff}', topic))
    (entry,) = (await get("/v1/refused"))["refused"]
    assert (entry["reason"], entry["text"], entry["size"]) == ("not_utf8", '{"v": \ufffd}', 8)
    assert entry["origin"] == topic


async def test_the_list_is_given_for_a_cell_and_for_a_reason(get: Get, send: Send) -> None:
    await send(1, own(3, 130, zone="9"), own(4, 130, zone="8"))
    await send(2, cell=OTHER)
    await send(own(1), cell="bench/line-1/cell-9")

    async def texts(**query: Any) -> list[Any]:
        return [json.loads(row["text"]) for row in (await get("/v1/refused", **query))["refused"]]

    assert await texts(cell=OTHER) == [2]
    assert await texts(cell="bench/line-1/cell-9") == [own(1)]
    assert await texts(cell="bench/line-1") == []
    assert await texts(reason="not_an_object") == [1, 2]
    assert await texts(reason="unknown_zone", cell=CELL) == [own(3, 130, zone="9"), own(4, 130, zone="8")]
    first = await get("/v1/refused", reason="unknown_zone", limit=1)
    assert [json.loads(row["text"]) for row in first["refused"]] == [own(3, 130, zone="9")]
    second = await get("/v1/refused", reason="unknown_zone", limit=1, after=first["next"])
    assert (len(second["refused"]), second["next"]) == (1, None)


async def test_refused_messages_are_counted_by_reason_and_by_cell_the_most_first(get: Get, send: Send) -> None:
    assert await get("/v1/refused/counts") == {"reasons": [], "cells": []}
    await send(1, own(3, 130, zone="9"), own(4, 130, zone="8"), own(5, 130, zone="8"))
    await send(2, cell=OTHER)
    counts = await get("/v1/refused/counts")
    assert counts == {
        "reasons": [{"reason": "unknown_zone", "number": 3}, {"reason": "not_an_object", "number": 2}],
        "cells": [{"cell": CELL, "number": 4}, {"cell": OTHER, "number": 1}],
    }
    assert _counted(await get("/v1/refused/counts", cell=OTHER)) == {
        "reasons": {"not_an_object": 1},
        "cells": {OTHER: 1},
    }
    assert _counted(await get("/v1/refused/counts", reason="unknown_zone", cell=CELL)) == {
        "reasons": {"unknown_zone": 3},
        "cells": {CELL: 3},
    }


async def test_of_many_cells_those_with_the_most_are_given(get: Get, send: Send) -> None:
    for number in range(105):
        await send(*([1] * (1 + number % 3)), cell=f"bench/line-1/other-{number}")
    cells = (await get("/v1/refused/counts"))["cells"]
    assert len(cells) == 100
    assert [row["number"] for row in cells] == [3] * 35 + [2] * 35 + [1] * 30


@pytest.mark.parametrize("path", ["/v1/refused", "/v1/refused/counts"])
@pytest.mark.parametrize(
    "query",
    [
        {"reason": "nonsense"},
        {"reason": ""},
        {"reason": "UNKNOWN_CELL"},
        {"cell": "a\0b"},
        {"cell": "a\nb"},
        {"unit": CELL},
    ],
)
async def test_a_reason_that_there_is_not_and_what_no_cell_can_be_are_problems(
    told: httpx.AsyncClient, path: str, query: dict[str, Any]
) -> None:
    found = problem(await told.get(path, params=query), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [f"query/{next(iter(query))}"]
    if "reason" in query:
        assert "'unknown_cell'" in found["detail"]


async def test_messages_of_the_past_are_booked_once_the_plant_names_their_cell_and_zones(
    api: httpx.AsyncClient,
) -> None:
    """The past is rewritten as by any late message: gaps, figures, revision."""
    messages = morning()
    number = len(messages)
    await _declare(api, narrow())
    last = own(messages[-1]["seq"] + 1, 125)
    answer = (await api.post("/v1/messages", json={"cell": CELL, "messages": [*messages, last]})).json()
    assert (answer["stored"], [one["reason"] for one in answer["refused"]]) == (1, ["unknown_zone"] * number)
    await api.post("/v1/messages", json={"cell": OTHER, "messages": messages[:3]})
    before = (await api.get(f"/v1/kpi/{CELL}", params=WINDOW)).json()
    assert (before["known"], before["fasteners"]["made"]) == (0, 0)
    assert len((await api.get("/v1/gaps")).json()["gaps"]) == 1

    await _declare(api, PLANT)
    declared = (await api.get(f"/v1/kpi/{CELL}", params=WINDOW)).json()
    retried = await _retry(api, cell=CELL)
    assert (retried["offered"], retried["stored"], retried["duplicate"]) == (number, number, 0)
    assert (retried["refused"], retried["left_out"], retried["next"]) == ({}, {}, None)

    after = (await api.get(f"/v1/kpi/{CELL}", params=WINDOW)).json()
    assert (after["fasteners"]["made"], after["time_s"]["running"]) == (100, 3600)
    assert after["revision"] > declared["revision"]
    assert (await api.get("/v1/gaps")).json()["gaps"] == []
    assert {row["cell"] for row in (await api.get("/v1/refused")).json()["refused"]} == {OTHER}
    cells = (await api.get("/v1/units")).json()["sites"][0]["lines"][0]["cells"]
    assert cells[0]["received"]["refused"] == number


@asynccontextmanager
async def _an_hour_later(database_url: str) -> AsyncIterator[httpx.AsyncClient]:
    """Yield a client of another service on the same database, whose clock is an hour on."""
    app = create_app(build_service(database_url, clock=lambda: NOW_US + 3_600_000_000))
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as client,
    ):
        yield client


async def test_a_time_that_was_ahead_of_the_clock_is_not_booked_once_it_has_passed(
    told: httpx.AsyncClient, database_url: str
) -> None:
    ahead = [snapshot(729, "1", "2", boot=2), own(1, 725, boot=2), own(2, 730, boot=2)]
    answer = await told.post("/v1/messages", json={"cell": CELL, "messages": ahead})
    assert [one["reason"] for one in answer.json()["refused"]] == ["ahead_of_clock"] * 3
    before = (await told.get("/v1/refused")).json()["refused"]
    async with _an_hour_later(database_url) as client:
        assert (await _retry(client, reason="ahead_of_clock"))["refused"] == {"ahead_of_clock": 3}
        assert (await client.get("/v1/refused")).json()["refused"] == before
        right = [one | {"at": later(719)} for one in ahead]
        answer = await client.post("/v1/messages", json={"cell": CELL, "messages": right})
        assert (answer.json()["stored"], answer.json()["refused"]) == (3, []), "sent anew with the right time"


async def test_a_contradiction_and_a_link_message_stay_refused(told: httpx.AsyncClient, service: Service) -> None:
    first, other = own(1, 130, boot=2, zone="1"), own(1, 131, boot=2, zone="1")
    await told.post("/v1/messages", json={"cell": CELL, "messages": [first, other]})
    topic = f"cells/v1/{CELL}/link"
    await service.recorder.record(Delivery(CELL, b'{"v":1,"link":"gone"}', topic, "link"))
    retried = await _retry(told)
    assert (retried["offered"], retried["refused"], retried["left_out"]) == (1, {"contradicts": 1}, {"link": 1})
    kept = (await told.get("/v1/refused")).json()["refused"]
    assert [(row["reason"], row["origin"]) for row in kept] == [("contradicts", "http"), ("field_invalid", topic)]


async def test_a_retry_goes_on_page_by_page_and_offers_nothing_twice(told: httpx.AsyncClient) -> None:
    await told.post("/v1/messages", json={"cell": CELL, "messages": list(range(12))})
    answer, offered = await _retry(told, limit=5), 5
    assert answer["offered"] == 5
    await told.post("/v1/messages", json={"cell": CELL, "messages": list(range(7))})
    while answer["next"] is not None:
        answer = await _retry(told, limit=5, after=answer["next"], upto=answer["upto"])
        offered += answer["offered"]
    assert offered == 12
    assert len((await told.get("/v1/refused")).json()["refused"]) == 19


async def test_single_entries_may_be_offered(get: Get, send: Send, told: httpx.AsyncClient) -> None:
    await send(1, 2, 3)
    ids = [row["id"] for row in (await get("/v1/refused"))["refused"]]
    assert (await _retry(told, ids=[ids[2], ids[0], 2**53 - 1]))["offered"] == 2
    assert (await _retry(told, ids=[2**53 - 1]))["offered"] == 0


#: What a retry cannot be asked, and the place that the problem names.
WRONG: list[tuple[Any, str | None]] = [
    ({"reason": "nonsense"}, "body/reason"),
    ({"reason": None}, "body/reason"),
    ({"reason": 3}, "body/reason"),
    ({"cell": 1}, "body/cell"),
    ({"cell": "x" * 501}, "body/cell"),
    ({"ids": []}, "body/ids"),
    ({"ids": 3}, "body/ids"),
    ({"ids": [0]}, "body/ids"),
    ({"ids": [True]}, "body/ids"),
    ({"ids": [1.0]}, "body/ids"),
    ({"ids": ["1"]}, "body/ids"),
    ({"ids": [2**53]}, "body/ids"),
    ({"ids": [1] * 1001}, "body/ids"),
    ({"limit": 0}, "body/limit"),
    ({"limit": 501}, "body/limit"),
    ({"after": -1}, "body/after"),
    ({"upto": 2**63}, "body/upto"),
    ({"unit": CELL}, "body/unit"),
    ([], None),
    (None, None),
    ("all", None),
]
NO_OBJECT = [
    b"",
    b"{",
    b"\xff",
    b'{"ids": [1e999]}',
    b'{"limit": NaN}',
    b'{"cell": "\\ud800"}',
    b'{"cell": "a\\u0000"}',
    b'{"limit": 1, "limit": 2}',
    b"[" * 50_000,
    b'{"ids": ' + b"[" * 30_000 + b"]" * 30_000,
]


async def test_a_retry_that_there_cannot_be_is_a_problem_that_names_the_place(api: httpx.AsyncClient) -> None:
    for body, place in WRONG:
        answer = await api.post(RETRY, content=json.dumps(body), headers={"content-type": "application/json"})
        places = [one["place"] for one in problem(answer, "request_invalid")["errors"]]
        assert places == ([place] if place else []), body


async def test_a_body_that_is_no_json_object_is_a_problem(api: httpx.AsyncClient) -> None:
    for body in NO_OBJECT:
        problem(await api.post(RETRY, content=body, headers={"content-type": "application/json"}), "body_invalid")


async def test_a_body_of_another_kind_or_too_long_is_a_problem(api: httpx.AsyncClient) -> None:
    problem(await api.post(RETRY, content=b"{}", headers={"content-type": "text/plain"}), "media_type")
    problem(await api.post(RETRY, content=b" " * 65_537), "body_too_large")
