"""A process that only reads answers, changes nothing and stays ready, on a database that takes nothing in."""

from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from pydantic import ValidationError

from tests.faults.launching import ForkedService
from tests.integration.api.plant import CELL, NOW_US, PLANT, later, morning
from tests.integration.api.problem import problem
from tests.scenarios.story import Story, results
from tests.servers.fixtures import lend
from tests.servers.postgres import Postgres
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from tests.servers.standby import Standby
from zoneledger.api import turns
from zoneledger.asgi import create_app, open_service
from zoneledger.bootstrap import build_service
from zoneledger.clock import now_us
from zoneledger.core.errors import SchemaMismatch, StoreUnavailable
from zoneledger.settings import Settings

READS_ONLY = {"ZONELEDGER_READS_ONLY": "true"}
KPI = f"/v1/kpi/{CELL}"
GIVEN = {"unit": CELL, "start": later(30), "end": later(40), "reason": "sensor", "by": "shift-lead"}


RUN = {"unit": CELL, "start": later(0), "end": later(60), "confidence": 0.9, "name": "a run", "targets": {"oee": 0.5}}


@pytest.fixture
async def reading_app(told: httpx.AsyncClient, database_url: str) -> AsyncIterator[FastAPI]:
    """A second application that only reads, on the database of the first, which knows the morning."""
    app = create_app(build_service(database_url, clock=lambda: NOW_US, reads_only=True))
    async with app.router.lifespan_context(app):
        yield app


@pytest.fixture
async def reader(reading_app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """A client of the application that only reads."""
    transport = httpx.ASGITransport(reading_app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://test") as api:
        yield api


async def test_it_answers_the_same_figures(told: httpx.AsyncClient, reader: httpx.AsyncClient) -> None:
    day = {"day": "2026-03-02"}
    first, second = (await told.get(KPI, params=day)).json(), (await reader.get(KPI, params=day)).json()
    assert first == second
    assert first["fasteners"]["made"] > 0


async def test_it_takes_nothing_in_says_so_and_stays_ready(reader: httpx.AsyncClient) -> None:
    before = [(await reader.get(path)).content for path in ("/v1/events", "/v1/plant", "/v1/units")]
    refused = [
        await reader.post("/v1/messages", json={"cell": CELL, "messages": morning()}),
        await reader.put("/v1/plant", json=PLANT | {"sites": []}),
        await reader.post("/v1/reasons", json=GIVEN),
    ]
    for answer in refused:
        assert "only reads" in problem(answer, "store_unavailable")["detail"]
    assert [(await reader.get(path)).content for path in ("/v1/events", "/v1/plant", "/v1/units")] == before
    assert (await reader.get("/health/ready")).status_code == 200


async def test_it_refuses_at_once_what_would_have_to_be_computed_first(
    told: httpx.AsyncClient, reader: httpx.AsyncClient, reading_app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = (await told.post("/v1/proofs", json=RUN)).json()["id"]
    async with reading_app.state.turns["acceptance"].turn(), reading_app.state.turns["plant"].turn():
        monkeypatch.setattr(turns, "LONGEST_WAIT_S", 0.01)
        for answer in (
            await reader.post("/v1/proofs", json=RUN),
            await reader.post(f"/v1/proofs/{number}/freeze"),
            await reader.put("/v1/plant", json=PLANT | {"sites": []}),
        ):
            assert "only reads" in problem(answer, "store_unavailable")["detail"]
    monkeypatch.undo()
    assert (await told.get(f"/v1/proofs/{number}")).json()["frozen"] is None


async def test_it_refuses_a_database_without_this_schema_and_makes_none(bare_url: str, tmp_path: Path) -> None:
    (tmp_path / "zoneledger.db").touch()
    for _ in range(2):
        with pytest.raises(SchemaMismatch, match="only reads"):
            await open_service(Settings(database_url=bare_url, reads_only=True))


async def test_it_makes_no_file_where_none_is(tmp_path: Path) -> None:
    away = tmp_path / "zonelegder.db"
    with pytest.raises(StoreUnavailable, match=r"there is no file .*zonelegder\.db"):
        await open_service(Settings(database_url=f"sqlite:///{away}", reads_only=True))
    assert not away.exists()


@pytest.mark.parametrize("other", [{"broker_url": "mqtt://127.0.0.1"}, {"plant": "plant.yaml"}])
def test_what_would_change_something_goes_not_with_it(other: dict[str, str]) -> None:
    with pytest.raises(ValidationError, match="only reads"):
        Settings.model_validate({"reads_only": True} | other)


@pytest.fixture
def first_and_standby(own_postgres: Postgres) -> Iterator[tuple[Postgres, Standby]]:
    """A cluster, and a standby that follows it."""
    for standby in lend(lambda: Standby(own_postgres)):
        yield own_postgres, standby


def test_on_a_standby_it_follows_and_outlives_the_first(first_and_standby: tuple[Postgres, Standby]) -> None:
    first, standby = first_and_standby
    name = first.create_database()
    with ForkedService("--database", first.url(name)) as writer:
        assert httpx.put(f"{writer.url}/v1/plant", json=PLANT).status_code == 200
        reader = ForkedService("--database", standby.url(name), settings=READS_ONLY)
        wait_until(lambda: _starts(reader), "the reader has what the first wrote")
        try:
            begin = datetime.fromtimestamp(now_us() // 1_000_000, UTC) - timedelta(days=1)
            window = {"start": begin.isoformat(), "end": (begin + timedelta(hours=1)).isoformat()}
            body = {"cell": CELL, "messages": Story(begin).run(60, results(95, 5)).close()}
            assert httpx.post(f"{writer.url}/v1/messages", json=body).json()["refused"] == []
            figures = writer.get(KPI, **window)
            made = figures["fasteners"]
            assert made["made"] + made["outside_planned"] == 100  # which of them, depends on the time of day
            wait_until(lambda: bool(reader.get(KPI, **window) == figures), "the same figures")
            assert httpx.post(f"{reader.url}/v1/messages", json=body).status_code == 503
            first.kill()
            assert reader.get(KPI, **window) == figures
            assert reader.is_well("ready")
        finally:
            reader.stop()


def _starts(service: ServiceProcess) -> bool:
    """Start a reader, which refuses to as long as the schema has not arrived."""
    try:
        service.start()
    except RuntimeError as refusal:
        if "schema" not in str(refusal) and "is not there" not in str(refusal):
            raise
        return False
    return True
