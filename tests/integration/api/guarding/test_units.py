"""What a caller of some units is told of the others: nothing, by no answer, no error and no answer that was kept for somebody else."""

import asyncio
import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from starlette.types import Message

from tests.integration.api.guarding.calls import RUN, SAID
from tests.integration.api.guarding.conftest import Asking, MakeKey
from tests.integration.api.plant import CELL, OTHER, own, snapshot
from tests.integration.api.problem import problem
from tests.integration.mqtt.parts import until
from zoneledger.api import exporting, streams
from zoneledger.api.routes import live
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.windows import MAX_WINDOW_US
from zoneledger.bootstrap import Service

EARLY = {"shift": "2026-03-02/early"}


@pytest.fixture
async def other(told: httpx.AsyncClient, asking: Asking, make_key: MakeKey) -> httpx.AsyncClient:
    """A client that may do everything with the other cell; of the first one something is known."""
    return asking(await make_key("admin", units=(OTHER,), name="other"))


async def test_the_units_are_those_in_reach_with_what_they_lie_in(other: httpx.AsyncClient) -> None:
    answer = await other.get("/v1/units")
    assert CELL not in answer.text
    (site,) = answer.json()["sites"]
    assert (site["unit"], site["timezone"]) == ("bench", "UTC")
    assert [cell["unit"] for line in site["lines"] for cell in line["cells"]] == [OTHER]


async def test_the_units_of_somebody_else_are_not_told_to_who_asks_at_the_same_time(
    other: httpx.AsyncClient, told: httpx.AsyncClient
) -> None:
    answers = await asyncio.gather(*(client.get("/v1/units") for client in (told, other, told, other)))
    assert [CELL in answer.text for answer in answers] == [True, False, True, False]


async def test_units_that_are_in_no_plant_are_told_to_nobody_else(
    told: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    assert (await told.put("/v1/plant", json={"sites": []})).status_code == 200
    for unit, undeclared in ((CELL, [CELL]), (OTHER, [])):
        found = (await asking(await make_key("read", units=(unit,))).get("/v1/units")).json()
        assert (found["sites"], found["undeclared"]) == ([], undeclared)


ABOUT = ("/v1/kpi/{}?day=2026-03-02", "/v1/commissioning/{}", "/v1/gaps?unit={}", "/v1/live?unit={}")


async def test_a_unit_that_there_is_not_names_no_others(
    told: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    for unit in ("bench/line-1/cell-7", "bench/line-9", "elsewhere"):
        client = asking(await make_key("read", units=(unit,)))
        for path in ABOUT:
            answer = await client.get(path.format(unit))
            problem(answer, "unit_unknown")
            assert "cell-1" not in answer.text
            assert "cell-2" not in answer.text
    for path in ABOUT:
        assert CELL in (await told.get(path.format("bench/line-1/cell-7"))).text


async def test_a_cell_is_not_guessed_at_among_those_out_of_reach(
    told: httpx.AsyncClient, asking: Asking, make_key: MakeKey
) -> None:
    client = asking(await make_key("read", units=("elsewhere", OTHER)))
    answer = problem(await client.get("/v1/commissioning/elsewhere/cell-1"), "unit_unknown")
    assert CELL not in answer["detail"]


async def test_an_answer_that_was_kept_for_somebody_is_given_to_nobody_else(
    other: httpx.AsyncClient, told: httpx.AsyncClient, asking: Asking, service: Service, app: FastAPI
) -> None:
    await presum(Presumming(service.store, service.plants, service.now_us, service.limits), MAX_WINDOW_US)
    path = f"/v1/kpi/{CELL}"
    first = await told.get(path, params=EARLY)
    assert len(app.state.kept._kept) == 1
    has_it = {"If-None-Match": first.headers["etag"]}
    assert (await told.get(path, params=EARLY, headers=has_it)).status_code == 304
    for headers in ({}, has_it, {"If-None-Match": "*"}):
        problem(await other.get(path, params=EARLY, headers=headers), "not_allowed")
        problem(await asking().get(path, params=EARLY, headers=headers), "not_authenticated")


async def test_runs_are_listed_where_they_are_in_reach_and_told_by_no_number(
    other: httpx.AsyncClient, told: httpx.AsyncClient
) -> None:
    for unit in (CELL, OTHER, "bench/line-1"):
        assert (await told.post("/v1/proofs", json={"unit": unit, **RUN})).status_code == 201
    assert [run["unit"] for run in (await other.get("/v1/proofs")).json()["proofs"]] == [OTHER]
    for number, code in ((1, 403), (2, 200), (3, 403)):
        assert (await other.get(f"/v1/proofs/{number}")).status_code == code
    problem(await other.get("/v1/proofs/4"), "proof_unknown")


async def test_nothing_is_undone_that_is_out_of_reach(other: httpx.AsyncClient, told: httpx.AsyncClient) -> None:
    assert (await told.post("/v1/reasons", json={"unit": CELL, **SAID})).json()["id"] == 1
    problem(await other.post("/v1/reasons/1/undo", json={"by": "shift-lead"}), "not_allowed")
    assert (await told.post("/v1/reasons/1/undo", json={"by": "shift-lead"})).status_code == 201


async def test_no_message_is_taken_of_a_cell_that_is_out_of_reach_and_nothing_is_kept_of_it(
    other: httpx.AsyncClient, told: httpx.AsyncClient
) -> None:
    before = (await told.get("/v1/events")).json()["events"]
    for cell in (CELL, "bench/line-1/cell-9", "bench/line-1/cell-22", f"{OTHER}x"):
        problem(await other.post("/v1/messages", json={"cell": cell, "messages": [own(900)]}), "not_allowed")
    assert (await told.get("/v1/events")).json()["events"] == before
    assert (await told.get("/v1/refused")).json()["refused"] == []


def _events(text: str) -> list[dict[str, Any]]:
    return [json.loads(line.removeprefix("data: ")) for line in text.splitlines() if line.startswith("data: ")]


async def _stream(client: httpx.AsyncClient, app: FastAPI, work: Any) -> list[dict[str, Any]]:
    """Return what a live stream tells while some work is done, to its end."""
    reading = asyncio.create_task(client.get("/v1/live"))
    await until(lambda: app.state.streams.open, "the stream to be open")
    await work()
    app.state.streams.end()
    return _events((await asyncio.wait_for(reading, 20)).text)


async def test_a_live_stream_tells_of_what_is_in_reach(
    other: httpx.AsyncClient, told: httpx.AsyncClient, app: FastAPI
) -> None:
    async def work() -> None:
        for cell, zones in ((CELL, ("1", "2")), (OTHER, ("1",))):
            sent = {"cell": cell, "messages": [snapshot(719.9, *zones, boot=2)]}
            assert (await told.post("/v1/messages", json=sent)).json()["refused"] == []
        await until(lambda: any(OTHER.encode() in one.text for one in app.state.streams._kept), "what is told of it")

    found = await _stream(other, app, work)
    units = {event["unit"] for event in found if "unit" in event}
    assert units
    assert all(unit.startswith(OTHER) for unit in units), units


async def test_a_live_stream_ends_with_what_it_was_begun_with(
    asking: Asking, make_key: MakeKey, app: FastAPI, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(streams, "HEARTBEAT_S", 0.0)
    key = await make_key("read")
    reading = asyncio.create_task(asking(key).get("/v1/live"))
    await until(lambda: app.state.streams.open, "the stream to be open")
    await service.callers.revoke(key.split("_")[1], "a test", "here")
    await app.state.streams.tell([])  # a heartbeat
    answer = await asyncio.wait_for(reading, 20)
    assert _events(answer.text)[-1] == {"detail": "what you began it with is good no more"}
    assert app.state.streams.open == 0


async def test_a_table_breaks_off_with_what_it_was_begun_with(
    told: httpx.AsyncClient, make_key: MakeKey, app: FastAPI, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(exporting, "LOOK_EVERY_S", 0.0)
    monkeypatch.setattr(exporting, "TURN_BYTES", 1)  # a page a piece
    key, sent = await make_key("read"), list[Message]()
    headers = [(b"host", b"test"), (b"authorization", f"Bearer {key}".encode())]
    asked = {"method": "GET", "path": "/v1/tables/events", "query_string": b"", "headers": headers}
    brought: list[Message] = [{"type": "http.request", "body": b"", "more_body": False}]

    async def receive() -> Message:
        return brought.pop() if brought else await asyncio.Future()

    async def send(message: Message) -> None:
        sent.append(message)
        if len(sent) == 2:  # after the first piece
            await service.callers.revoke(key.split("_")[1], "a test", "here")

    await app(
        {"type": "http", "http_version": "1.1", "root_path": "", "client": ("192.0.2.1", 1), **asked}, receive, send
    )
    head, piece = sent
    assert head["status"] == 200
    assert piece["more_body"]
    assert CELL.encode() in piece["body"]
