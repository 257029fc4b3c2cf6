"""Answers that cost much are made in a thread of their own; how late the event loop is is told."""

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import CELL, PLANT
from tests.integration.api.problem import problem
from tests.integration.mqtt.parts import until
from zoneledger.api import aside
from zoneledger.api.aside import Aside, Patience
from zoneledger.api.problems import ApiError
from zoneledger.application import windows
from zoneledger.asgi import create_app
from zoneledger.bootstrap import ASIDE_AT_ONCE, Service

LINE = CELL.rpartition("/")[0]
WINDOW = {"start": "2026-02-01T00:00:00Z", "end": "2026-03-03T00:00:00Z"}
DAY = {"day": "2026-03-02"}
READ_OFF_THE_LEDGER = [f"/v1/{figures}/{LINE}" for figures in ("kpi", "losses", "rates", "failures", "timeline")]
READ_OFF_THE_LEDGER += [f"/v1/panels/{CELL}", f"/v1/prospects/{CELL}", f"/v1/questions/{CELL}"]


@pytest.fixture
async def beside(service: Service) -> AsyncIterator[Aside]:
    """A thread beside this one, on the same database."""
    found = Aside(service)
    yield found
    await found.stop()
    await service.store.close()


async def test_the_loop_goes_on_while_a_work_aside_computes(beside: Aside) -> None:
    here, computes = threading.get_ident(), threading.Event()

    async def work() -> int:
        assert computes.wait(20)  # holds up its own loop; if that were this one, nobody would let it go on
        return threading.get_ident()

    working = asyncio.ensure_future(beside.do(work))
    await asyncio.sleep(0)
    computes.set()
    assert await asyncio.wait_for(working, 20) != here


async def test_a_work_aside_reads_the_same_database_and_changes_nothing(beside: Aside, service: Service) -> None:
    async with service.store.writing() as writing:
        await writing.lock_heads(["bench/line-1/cell-1"])

    async def work() -> list[str]:
        async with beside.service.store.reading() as reading:
            return await reading.cells()

    async def write() -> None:
        async with beside.service.store.writing():
            pass

    assert await beside.do(work) == ["bench/line-1/cell-1"]
    with pytest.raises(Exception, match="only reads"):
        await beside.do(write)


async def test_an_error_of_a_work_aside_is_its_callers(beside: Aside) -> None:
    async def work() -> None:
        raise KeyError("a bug")

    with pytest.raises(KeyError, match="a bug"):
        await beside.do(work)


async def test_what_is_not_done_is_cancelled_when_the_thread_ends(service: Service) -> None:
    before = set(threading.enumerate())
    beside, ended, begun = Aside(service), threading.Event(), threading.Event()

    async def work() -> None:
        begun.set()
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()

    working = asyncio.ensure_future(beside.do(work))
    await until(begun.is_set, "the work has begun")
    await beside.stop()
    assert ended.is_set()
    with pytest.raises(asyncio.CancelledError):
        await working
    assert set(threading.enumerate()) <= before
    await service.store.close()


async def test_a_stop_does_not_wait_for_a_work_that_does_not_listen(
    service: Service, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(aside, "STOP_S", 0.05)
    beside, begun, over = Aside(service), threading.Event(), threading.Event()

    async def work() -> None:
        begun.set()
        assert over.wait(20)

    working = asyncio.ensure_future(beside.do(work))
    await until(begun.is_set, "the work has begun")
    await beside.stop()
    assert "without it" in caplog.text
    over.set()
    await asyncio.wait([working])
    monkeypatch.undo()
    await beside.stop()
    await service.store.close()


async def test_so_many_work_at_once_and_who_finds_no_place_is_told_to_ask_again(
    beside: Aside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(aside, "LONGEST_PLACE_S", 0.05)
    over, working = threading.Event(), 0

    async def work() -> None:
        nonlocal working
        async with beside.service.store.reading():  # of SQLite there are no more connections than that
            working += 1
            await asyncio.to_thread(over.wait, 20)

    works = [asyncio.ensure_future(beside.do(work)) for _ in range(ASIDE_AT_ONCE)]
    await until(lambda: working == ASIDE_AT_ONCE, "all have a place")
    with pytest.raises(ApiError, match="ask again") as refused:
        await asyncio.wait_for(beside.do(work), 5)
    assert refused.value.code == "busy"
    assert working == ASIDE_AT_ONCE
    over.set()
    await asyncio.wait_for(asyncio.gather(*works), 20)
    await asyncio.wait_for(beside.do(work), 20)


async def test_a_work_that_is_given_up_has_ended_when_that_is_told(beside: Aside) -> None:
    asked_to_end, may_end, ended = threading.Event(), threading.Event(), threading.Event()

    async def work() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            asked_to_end.set()
            await asyncio.to_thread(may_end.wait, 20)
            ended.set()

    working = asyncio.ensure_future(beside.do(work, Patience(0.01, "no matter")))
    await until(asked_to_end.is_set, "the work is asked to end")
    await asyncio.wait([working], timeout=0.05)
    assert not working.done()
    may_end.set()
    with pytest.raises(ApiError, match="no matter"):
        await asyncio.wait_for(working, 20)
    assert ended.is_set()


async def test_it_is_not_waited_for_the_end_of_a_work_that_does_not_listen(
    beside: Aside, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(aside, "LONGEST_PLACE_S", 0.01)
    monkeypatch.setattr(aside, "END_S", 0.01)
    over = threading.Event()

    async def work() -> None:
        assert over.wait(20)

    with pytest.raises(ApiError, match="given up"):
        await asyncio.wait_for(beside.do(work, Patience(0.01, "no matter")), 5)
    over.set()


async def test_an_answer_that_takes_too_long_is_given_up_and_says_so(
    told: httpx.AsyncClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert (await told.get(f"/v1/losses/{CELL}", params=DAY)).status_code == 200
    monkeypatch.setattr(aside, "ANSWER", aside.ANSWER._replace(longest_s=0.0))
    found = problem(await told.get(f"/v1/losses/{CELL}", params=DAY), "busy")
    assert "shorter window" in found["detail"]
    monkeypatch.undo()
    assert (await told.get(f"/v1/losses/{CELL}", params=DAY)).status_code == 200


async def test_no_more_of_the_ledger_is_read_at_once_than_a_bound(
    told: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in READ_OFF_THE_LEDGER:
        assert (await told.get(path, params=WINDOW)).status_code == 200, path
    monkeypatch.setattr(windows, "MAX_CELL_DAYS", 29)
    for path in READ_OFF_THE_LEDGER:
        found = problem(await told.get(path, params=WINDOW), "window_invalid")
        assert "at once" in found["detail"], path
        assert (await told.get(path, params=DAY)).status_code == 200, path


async def test_lines_of_a_site_count_together_against_the_bound(
    api: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = json.loads(json.dumps(PLANT))
    first = plant["sites"][0]["lines"][0]
    plant["sites"][0]["lines"] = [first | {"line": name} for name in ("line-1", "line-2", "line-3")]
    assert (await api.put("/v1/plant", json=plant)).status_code == 200
    monkeypatch.setattr(windows, "MAX_CELL_DAYS", 60)  # of two cells for 30 days
    assert (await api.get("/v1/kpi/bench/line-3", params=WINDOW)).status_code == 200
    found = problem(await api.get("/v1/kpi/bench", params=WINDOW), "window_invalid")
    assert "at most 10.0 days at once" in found["detail"]
    assert (await api.get("/v1/kpi/bench", params={**WINDOW, "by": "week"})).status_code == 200
    assert (await api.get("/v1/kpi/bench", params=DAY)).status_code == 200


async def test_a_loop_that_is_held_up_is_told_of_by_health(service: Service) -> None:
    app = create_app(service)
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            await until(lambda: service.lateness.since_start.due > 0, "something was due")
            until_s = time.perf_counter() + 0.1
            while time.perf_counter() < until_s:  # this is the work that should not be here
                pass
            await until(lambda: service.lateness.since_start.most_s > 0.08, "the loop was late")
            found = (await client.get("/health/live")).json()["event_loop"]
    assert set(found) == {"last_minute", "since_start"}
    for told in found.values():
        assert told["due"] >= 10
        assert told["late_over_20_ms"] >= 5
        assert 0.0 <= told["late_p50_s"] <= told["late_p99_s"] <= told["late_most_s"]
        assert told["late_most_s"] >= 0.08
        assert told["late_most_at"].endswith("Z")


async def test_a_series_that_was_not_summed_is_read_in_portions(
    told: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = (await told.get(f"/v1/kpi/{LINE}", params={**WINDOW, "by": "day"})).json()
    monkeypatch.setattr(windows, "MAX_CELL_DAYS", 6)
    assert (await told.get(f"/v1/kpi/{LINE}", params={**WINDOW, "by": "day"})).json() == whole
    assert len(whole["series"]) == 30
    assert sum(part["fasteners"]["made"] for part in whole["series"]) > 0
