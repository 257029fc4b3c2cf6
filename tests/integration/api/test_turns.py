"""Answers that cost much take turns: one at a time, with time between them, and none for a client that has gone away."""

import asyncio
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import CELL, own
from tests.integration.api.problem import problem
from zoneledger.api import turns
from zoneledger.api.problems import ApiError
from zoneledger.api.turns import Turns

MANY = 40
DAY = {"day": "2026-03-02"}
COSTLY = ["/v1/events", "/v1/snapshots", f"/v1/losses/{CELL}", f"/v1/timeline/{CELL}", f"/v1/revisions/{CELL}"]


async def test_one_works_at_a_time_in_the_order_in_which_they_came() -> None:
    one_at_a_time, working, order = Turns(), 0, list[int]()

    async def work(number: int) -> None:
        nonlocal working
        async with one_at_a_time.turn():
            working += 1
            assert working == 1
            await asyncio.sleep(0)
            order.append(number)
            working -= 1

    await asyncio.wait_for(asyncio.gather(*map(work, range(20))), 20)
    assert order == list(range(20))


async def test_the_next_waits_for_as_long_as_the_one_before_has_worked() -> None:
    one_at_a_time, loop = Turns(), asyncio.get_running_loop()
    began_s, worked = loop.time(), asyncio.Event()
    async with one_at_a_time.turn():
        loop.call_later(0.05, worked.set)
        await worked.wait()
    ended_s = loop.time()
    async with one_at_a_time.turn():
        assert loop.time() - ended_s >= 0.9 * (ended_s - began_s)


async def test_a_turn_that_ends_in_an_error_or_was_never_waited_for_to_its_end_is_the_next_ones() -> None:
    one_at_a_time = Turns()
    with pytest.raises(KeyError):
        async with one_at_a_time.turn():
            raise KeyError("a bug")
    async with one_at_a_time.turn():
        gone = asyncio.ensure_future(_have(one_at_a_time))
        await asyncio.sleep(0)
        gone.cancel()
    await asyncio.wait_for(_have(one_at_a_time), 20)


async def _have(one_at_a_time: Turns) -> None:
    async with one_at_a_time.turn():
        pass


async def test_whose_turn_does_not_come_is_told_to_ask_again(
    told: httpx.AsyncClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turns, "LONGEST_WAIT_S", 0.01)
    async with app.state.turns["exports"].turn():
        problem(await told.get("/v1/events"), "busy")
        assert (await told.get(f"/v1/kpi/{CELL}", params=DAY)).status_code == 200
        assert (await told.get("/v1/units")).status_code == 200
        with pytest.raises(ApiError, match="not your turn"):
            await _have(app.state.turns["exports"])
    monkeypatch.undo()
    assert (await told.get("/v1/events")).status_code == 200


@pytest.mark.parametrize("path", COSTLY)
async def test_a_client_that_has_gone_away_costs_nothing_any_more(app: FastAPI, path: str) -> None:
    sent: list[Any] = []
    app.state.service = None  # whoever were to read from it would fail
    scope = {
        "type": "http",
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"day=2026-03-02",
    }
    scope |= {"headers": [], "http_version": "1.1", "scheme": "http", "server": ("test", 80)}

    async def receive() -> dict[str, str]:
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    await asyncio.wait_for(app(scope, receive, send), 20)
    assert sent[0]["status"] == 400


async def test_messages_are_taken_in_while_many_export_all_that_there_is(told: httpx.AsyncClient) -> None:
    """Told by how many exports end before the messages are committed, as no time can tell it on a busy machine."""
    for boot in range(10, 13):
        messages = [own(seq, 130, boot=boot) for seq in range(1, 1001)]
        assert (await told.post("/v1/messages", json={"cell": CELL, "messages": messages})).status_code == 200
    exported = 0

    async def export() -> None:
        nonlocal exported
        assert (await told.get("/v1/events", params={"limit": 5000})).status_code == 200
        exported += 1

    exports = [asyncio.ensure_future(export()) for _ in range(MANY)]
    await asyncio.wait(exports, return_when=asyncio.FIRST_COMPLETED)
    before = exported
    assert (
        await told.post("/v1/messages", json={"cell": CELL, "messages": [own(1001, 131, boot=12)]})
    ).status_code == 200
    meanwhile = exported - before
    await asyncio.gather(*exports)
    assert meanwhile < MANY / 10
