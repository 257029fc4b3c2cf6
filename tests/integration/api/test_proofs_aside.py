"""/v1/proofs: what a run comes to is computed aside, within its own limits, and only then kept."""

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import replace
from threading import Event
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.fakes.between import Between
from tests.integration.api.plant import CELL, PLANT, later, morning
from tests.integration.api.problem import problem
from zoneledger.api import aside, turns
from zoneledger.api.routes.proofs import Proving
from zoneledger.application import windows
from zoneledger.application.ports import Reading, Store
from zoneledger.bootstrap import Service

LINE = CELL.rpartition("/")[0]
TARGETS = {"fasteners_per_hour": 20.0, "availability": 0.2, "oee": 0.1, "first_pass_yield": 0.9, "mtbf_s": 600.0}
RUN = {"unit": LINE, "start": later(0), "end": later(600), "confidence": 0.9, "name": "run", "targets": TARGETS}


class _NeverRead(Between):
    """A store that is written, and fails whoever reads from it outside of what it writes."""

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        """Fail."""
        raise AssertionError("this is to be read aside")
        yield


class _Judging(Between):
    """A store that tells when somebody begins to read from it."""

    def __init__(self, store: Store, happens: Callable[[], Awaitable[None]]) -> None:
        super().__init__(store, happens)
        self.begun = Event()

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        """Begin one consistent look."""
        self.begun.set()
        return super().reading()


async def _nothing() -> None:
    pass


@pytest.fixture
async def around_the_clock(api: httpx.AsyncClient) -> httpx.AsyncClient:
    """A client of the application that knows the morning of a cell, planned around the clock."""
    plant = json.loads(json.dumps(PLANT))
    plant["sites"][0]["lines"][0]["shifts"] = []
    assert (await api.put("/v1/plant", json=plant)).status_code == 200
    assert (await api.post("/v1/messages", json={"cell": CELL, "messages": morning()})).json()["refused"] == []
    return api


async def _declare(api: httpx.AsyncClient, **changed: Any) -> dict[str, Any]:
    answer = await api.post("/v1/proofs", json=RUN | changed)
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = answer.json()
    return found


async def test_a_run_is_judged_aside_and_kept_with_the_first_store(
    around_the_clock: httpx.AsyncClient, app: FastAPI, service: Service
) -> None:
    app.state.service = replace(service, store=_NeverRead(service.store, _nothing))
    declared = await _declare(around_the_clock)
    frozen = await around_the_clock.post(f"/v1/proofs/{declared['id']}/freeze")
    assert frozen.status_code == 200, frozen.text
    assert frozen.json()["result"] == declared["result"]
    again = await around_the_clock.post(f"/v1/proofs/{declared['id']}/freeze")
    assert again.json() == frozen.json()


async def test_a_run_of_more_of_the_ledger_than_is_read_at_once_is_not_kept(
    around_the_clock: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(windows, "MAX_CELL_DAYS", 20)
    large = RUN | {"end": later(60 * 24 * 11)}
    found = problem(await around_the_clock.post("/v1/proofs", json=large), "window_invalid")
    assert "at most 10.0 days at once" in found["detail"]
    assert (await around_the_clock.get("/v1/proofs")).json()["proofs"] == []
    assert (await around_the_clock.post("/v1/proofs", json=large | {"unit": CELL})).status_code == 201


@pytest.mark.parametrize(("cell_days", "targets"), [(1, {"oee": 0.1}), (21, TARGETS), (30, TARGETS)])
async def test_a_run_that_was_kept_is_judged_the_same_however_little_is_read_at_once(
    around_the_clock: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, cell_days: int, targets: dict[str, float]
) -> None:
    """Its line may have got more cells since."""
    before = await _declare(around_the_clock, start=later(-60 * 24 * 20), end=later(60 * 24 * 11), targets=targets)
    path = f"/v1/proofs/{before['id']}"
    over = await _declare(around_the_clock, start=later(-60 * 24 * 20), targets=targets)
    monkeypatch.setattr(windows, "MAX_CELL_DAYS", cell_days)
    assert (await around_the_clock.get(path)).json() == before
    frozen = await around_the_clock.post(f"/v1/proofs/{over['id']}/freeze")
    assert frozen.json()["result"] == over["result"]
    check = (await around_the_clock.get(f"/v1/proofs/{over['id']}/check")).json()
    assert (check["same_evidence"], check["same_figures"], check["differing"]) == (True, True, [])


async def test_a_run_may_take_longer_than_other_answers_and_is_told_of_in_words_that_fit(
    around_the_clock: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = (await _declare(around_the_clock))["id"]
    assert (await around_the_clock.post(f"/v1/proofs/{number}/freeze")).status_code == 200
    monkeypatch.setattr(aside, "ANSWER", aside.ANSWER._replace(longest_s=0.0))
    path = f"/v1/proofs/{number}/check"
    problem(await around_the_clock.get(f"/v1/losses/{CELL}", params={"day": "2026-03-02"}), "busy")
    assert (await around_the_clock.get(path)).status_code == 200
    monkeypatch.setattr(Proving, "patience", aside.PROOF._replace(longest_s=0.0))
    found = problem(await around_the_clock.get(path), "busy")
    assert "declare a shorter run" in found["detail"]
    assert "window" not in found["detail"]


async def test_the_list_does_not_wait_for_a_run_that_is_judged(
    around_the_clock: httpx.AsyncClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    declared = await _declare(around_the_clock)
    async with app.state.turns["acceptance"].turn():
        monkeypatch.setattr(turns, "LONGEST_WAIT_S", 0.01)
        problem(await around_the_clock.get(f"/v1/proofs/{declared['id']}"), "busy")
        listed = await around_the_clock.get("/v1/proofs")
    assert [one["id"] for one in listed.json()["proofs"]] == [declared["id"]]


async def test_a_run_for_whose_answer_nobody_waits_any_more_is_not_kept(
    around_the_clock: httpx.AsyncClient, app: FastAPI
) -> None:
    made, sent, text = app.state.aside, list[Any](), json.dumps(RUN).encode()
    judging = _Judging(made.service.store, _nothing)
    made.service = replace(made.service, store=judging)
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(text)).encode())]
    scope = {"type": "http", "method": "POST", "path": "/v1/proofs", "raw_path": b"/v1/proofs", "query_string": b""}
    scope |= {"headers": headers, "http_version": "1.1", "scheme": "http", "server": ("test", 80)}
    bodies = [{"type": "http.request", "body": text, "more_body": False}]

    async def receive() -> dict[str, Any]:
        if not bodies and not judging.begun.is_set():
            await asyncio.Event().wait()
        return bodies.pop() if bodies else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    await asyncio.wait_for(app(scope, receive, send), 20)
    assert (judging.begun.is_set(), sent[0]["status"]) == (True, 400)
    assert (await around_the_clock.get("/v1/proofs")).json()["proofs"] == []
