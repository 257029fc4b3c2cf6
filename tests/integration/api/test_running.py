"""The service as a process: it opens, is ready, takes in what runs beside it, and does not pretend when that has died."""

import asyncio
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from pydantic import ValidationError
from sqlalchemy import text

from tests.fakes.failing_store import FailingStore
from tests.integration.api.plant import NOW, NOW_US, PLANT
from tests.integration.api.problem import problem
from zoneledger.application.intake import Delivery
from zoneledger.application.recorder import Recorder
from zoneledger.application.wellness import Ailment
from zoneledger.asgi import create_app, open_service
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.errors import PlantInvalid, SchemaMismatch, StoreUnavailable
from zoneledger.settings import Settings
from zoneledger.storage.engines import open_engines, transaction


async def _get(app: FastAPI, path: str) -> httpx.Response:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as client:
        return await client.get(path)


async def _run_sql(database_url: str, statement: str) -> None:
    engines = open_engines(database_url)
    async with transaction(engines.write) as connection:
        await connection.execute(text(statement))
    await engines.dispose()


async def test_a_service_that_is_well_is_ready(api: httpx.AsyncClient) -> None:
    assert (await api.get("/health/live")).json()["live"] is True
    checks = {"database": True, "recorder": True}
    assert (await api.get("/health/ready")).json() == {"ready": True, "checks": checks, "listens": None}


async def test_readiness_asks_what_adapters_add(service: Service) -> None:
    well = True

    async def broker() -> Ailment | None:
        return None if well else Ailment("the broker hung up", "look at the broker")

    service.checks["broker"] = broker
    app = create_app(service)
    async with app.router.lifespan_context(app):
        assert (await _get(app, "/health/ready")).json()["checks"]["broker"] is True
        well = False
        found = problem(await _get(app, "/health/ready"), "not_ready")
        assert found["errors"] == [
            {"place": "check/broker", "detail": f"the broker hung up, since {NOW} or before; look at the broker"}
        ]
        assert (await _get(app, "/health/live")).status_code == 200


async def test_a_check_that_cannot_reach_its_store_has_failed(service: Service) -> None:
    async def other() -> Ailment | None:
        raise StoreUnavailable("away")

    service.checks["other"] = other
    app = create_app(service)
    async with app.router.lifespan_context(app):
        found = problem(await _get(app, "/health/ready"), "not_ready")
        assert [one["place"] for one in found["errors"]] == ["check/other"]


async def test_a_service_whose_store_takes_nothing_in_is_not_ready(service: Service) -> None:
    full = FailingStore(service.store, lambda name, _: StoreUnavailable("full") if name == "commit" else None)
    recorder = Recorder(full, service.plants, service.now_us, service.limits)
    app = create_app(replace(service, recorder=recorder))
    async with app.router.lifespan_context(app):
        assert (await _get(app, "/health/ready")).status_code == 200
        with pytest.raises(StoreUnavailable):
            await asyncio.wait_for(recorder.record(Delivery("harbour/wing-1/cell-1", b"{", "http")), 10)
        found = problem(await _get(app, "/health/ready"), "not_ready")
        assert [one["place"] for one in found["errors"]] == ["check/recorder"]
        assert (await _get(app, "/v1/units")).status_code == 200


@pytest.mark.parametrize("fails", [True, False])
async def test_a_service_whose_background_has_ended_is_not_ready_and_says_so(
    service: Service, caplog: pytest.LogCaptureFixture, fails: bool
) -> None:
    ended = asyncio.Event()

    async def background() -> None:
        await ended.wait()
        if fails:
            raise RuntimeError("the adapter died")

    app = create_app(service, background=[background])
    async with app.router.lifespan_context(app):
        assert (await _get(app, "/health/ready")).status_code == 200
        ended.set()
        async with asyncio.timeout(10):
            while (await _get(app, "/health/ready")).status_code == 200:
                pass
        found = problem(await _get(app, "/health/ready"), "not_ready")
        assert [one["place"] for one in found["errors"]] == ["check/recorder"]
    assert [record.levelname for record in caplog.records if "has ended" in record.message] == ["CRITICAL"]


async def test_background_runs_while_the_application_does_and_ends_before_the_recorder(service: Service) -> None:
    begun, told = asyncio.Event(), list[bool]()

    async def background() -> None:
        begun.set()
        try:
            await asyncio.Event().wait()
        finally:
            # The recorder still takes in what an adapter hands over when it ends.
            told.append(await service.checks["recorder"]() is None)

    app = create_app(service, background=[background])
    async with app.router.lifespan_context(app):
        await asyncio.wait_for(begun.wait(), 10)
    assert told == [True]


async def test_a_schema_that_is_not_this_programs_is_not_ready(service: Service, database_url: str) -> None:
    app = create_app(service)
    async with app.router.lifespan_context(app):
        await _run_sql(database_url, "UPDATE alembic_version SET version_num = '9999'")
        found = problem(await _get(app, "/health/ready"), "not_ready")
        assert [one["place"] for one in found["errors"]] == ["check/database"]


async def test_a_database_without_a_schema_is_not_ready(bare_url: str) -> None:
    service = build_service(bare_url)
    app = create_app(service)
    async with app.router.lifespan_context(app):
        problem(await _get(app, "/health/ready"), "not_ready")


async def test_opening_refuses_a_newer_schema_in_one_sentence(database_url: str) -> None:
    await _run_sql(database_url, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(SchemaMismatch, match="newer"):
        await open_service(Settings(database_url=database_url))


@pytest.mark.parametrize("name", ["plant.yaml", "plant.json"])
async def test_opening_applies_the_plant_file(database_url: str, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text(json.dumps(PLANT))
    for _ in range(2):
        service = await open_service(Settings(database_url=database_url, plant=path))
        async with service.store.reading() as reading:
            assert (await service.plants.present(reading)).version == 1
        await service.store.close()


async def test_opening_says_that_the_plant_file_replaces_what_was_declared_since(
    database_url: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "plant.json"
    path.write_text(json.dumps(PLANT))
    settings = Settings(database_url=database_url, plant=path)
    service = await open_service(settings)
    await service.plants.declare(service.store, '{"sites": []}', NOW_US)
    await service.store.close()
    assert _said(caplog) == []
    service = await open_service(settings)
    async with service.store.reading() as reading:
        assert (await service.plants.present(reading)).version == 3
    await service.store.close()
    assert _said(caplog) == [
        f"the plant in the database (version 2, declared at {NOW}) differed from plant.json, and the file has replaced it as "
        "version 3; GET /v1/plant?version=2 answers the former one"
    ]


def _said(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [one.getMessage() for one in caplog.records if (one.name, one.levelname) == ("zoneledger.asgi", "WARNING")]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        (None, "there is no plant file "),
        ("{", "plant.json line 1: must be JSON: "),
        ('{"sites": 1}', "plant.json sites: must be a list"),
    ],
)
async def test_a_plant_file_that_cannot_be_read_stops_before_the_database_is_made(
    tmp_path: Path, written: str | None, told: str
) -> None:
    path, database = tmp_path / "plant.json", tmp_path / "ledger.db"
    if written is not None:
        path.write_text(written)
    with pytest.raises((FileNotFoundError, PlantInvalid)) as refusal:
        await open_service(Settings(database_url=f"sqlite:///{database}", plant=path))
    assert str(refusal.value).startswith(told)
    assert not database.exists()


async def test_opening_with_a_faulty_plant_names_file_and_line_and_changes_nothing(
    database_url: str, tmp_path: Path
) -> None:
    path = tmp_path / "plant.yaml"
    path.write_text("sites:\n  - site: bench\n    timezone: Europe/Lissabon\n    lines: []\n")
    with pytest.raises(PlantInvalid, match="line 3"):
        await open_service(Settings(database_url=database_url, plant=path))
    service = await open_service(Settings(database_url=database_url))
    async with service.store.reading() as reading:
        assert (await service.plants.present(reading)).version == 0
    await service.store.close()


def test_settings_come_from_the_environment_and_empty_ones_are_unset(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ZONELEDGER_DATABASE_URL", "postgresql://db/zoneledger")
    monkeypatch.setenv("ZONELEDGER_BROKER_URL", "")
    monkeypatch.setenv("ZONELEDGER_PORT", "9100")
    settings = Settings()
    assert (settings.database_url, settings.broker_url, settings.port) == ("postgresql://db/zoneledger", None, 9100)


@pytest.mark.parametrize("wrong", [{"database_url": "mysql://db/x"}, {"port": 0}, {"databse_url": "sqlite:///x"}])
def test_a_setting_that_there_cannot_be_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        Settings(**wrong)
