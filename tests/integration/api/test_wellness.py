"""What is not well is told in words: why, since when, and what to do; metrics tell that it is so, and the log who asked."""

import asyncio
import logging
from dataclasses import replace

import httpx
import pytest
from fastapi import FastAPI
from prometheus_client.parser import text_string_to_metric_families

from tests.fakes.failing_store import FailingStore
from tests.integration.api.plant import CELL, NOW, NOW_US
from zoneledger.api.request_log import RequestLog
from zoneledger.application.intake import Delivery
from zoneledger.application.recorder import Recorder
from zoneledger.application.wellness import Ailment, Wellness
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service
from zoneledger.core.errors import StoreUnavailable

LATER_US = NOW_US + 60_000_000


async def _get(app: FastAPI, path: str) -> httpx.Response:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as client:
        return await client.get(path)


async def _metrics(app: FastAPI) -> dict[str, float]:
    text = (await _get(app, "/metrics")).text
    samples = [sample for family in text_string_to_metric_families(text) for sample in family.samples]
    return {sample.name: sample.value for sample in samples}


async def test_why_nothing_is_taken_in_is_told_with_what_to_do(service: Service) -> None:
    full = FailingStore(
        service.store, lambda name, _: StoreUnavailable("its disk is full") if name == "commit" else None
    )
    recorder = Recorder(full, service.plants, service.now_us, service.limits)
    app = create_app(replace(service, recorder=recorder))
    async with app.router.lifespan_context(app):
        assert (await _metrics(app))["zoneledger_ready"] == 1
        with pytest.raises(StoreUnavailable):
            await asyncio.wait_for(recorder.record(Delivery("harbour/wing-1/cell-1", b"{", "http")), 10)
        [told] = (await _get(app, "/health/ready")).json()["errors"]
        assert told["place"] == "check/recorder"
        assert told["detail"].startswith(
            f"what was delivered last could not be kept: its disk is full, since {NOW} or before; "
        )
        assert "the service then goes on by itself" in told["detail"]
        metrics = await _metrics(app)
        assert metrics["zoneledger_ready"] == 0
        assert (metrics["zoneledger_database_up"], metrics["zoneledger_database_takes_in"]) == (1, 0)


async def test_it_is_remembered_since_when_something_is_not_well_until_it_is_well_again() -> None:
    now, ailment = [NOW_US], [Ailment("away", "start it")]

    async def check() -> Ailment | None:
        return ailment[0] if ailment else None

    wellness = Wellness({"broker": check}, lambda: now[0])
    assert [one.since_us for one in await wellness.ailing(1)] == [NOW_US]
    now[0] = LATER_US
    assert [one.since_us for one in await wellness.ailing(1)] == [NOW_US]
    [before] = ailment
    ailment.clear()
    assert await wellness.ailing(1) == []
    ailment.append(before)
    assert [one.since_us for one in await wellness.ailing(1)] == [LATER_US]


async def test_a_check_that_does_not_end_is_not_well_and_does_not_hold_up_the_others() -> None:
    async def hangs() -> Ailment | None:
        await asyncio.Event().wait()
        return None

    async def away() -> Ailment | None:
        raise StoreUnavailable("the database does not answer: it is not there")

    wellness = Wellness({"one": hangs, "two": away}, lambda: NOW_US)
    told = [(one.name, one.ailment.why) for one in await asyncio.wait_for(wellness.ailing(0.01), 10)]
    assert told == [
        ("one", "there was no answer within 0.01 s"),
        ("two", "the database does not answer: it is not there"),
    ]


async def test_the_room_that_the_database_takes_is_told(told: httpx.AsyncClient, database_url: str) -> None:
    text = (await told.get("/metrics")).text
    found = {s.name: s.value for family in text_string_to_metric_families(text) for s in family.samples}
    assert found["zoneledger_database_bytes"] > 100_000
    assert ("zoneledger_database_free_bytes" in found) is database_url.startswith("sqlite")


async def test_keys_that_are_not_right_are_counted(told: httpx.AsyncClient) -> None:
    for _ in range(3):
        assert (await told.get("/v1/units", headers={"authorization": "Bearer zl_a_b"})).status_code == 401
    assert "zoneledger_refused_logins_total 3.0" in (await told.get("/metrics")).text


async def test_a_request_is_logged_by_its_route_and_never_by_its_path(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    app = create_app(service)
    app.add_middleware(RequestLog)
    caplog.set_level(logging.INFO, "zoneledger.api.request_log")
    async with app.router.lifespan_context(app):
        assert (await _get(app, f"/v1/kpi/{CELL}?start=planted")).status_code == 422
        assert (await _get(app, "/planted")).status_code == 404
    records = [one for one in caplog.records if one.name == "zoneledger.api.request_log"]
    told = [(one.method, one.route, one.status, one.caller) for one in records]  # type: ignore[attr-defined]
    assert told == [("GET", "/v1/kpi/{unit}", 422, "open"), ("GET", None, 404, "open")]
    assert "planted" not in caplog.text
    assert all(one.ms >= 0 for one in records)  # type: ignore[attr-defined]
