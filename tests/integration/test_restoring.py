"""A database that is lost, restored by the documented commands: what people said and what was frozen is there, and goes on."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.faults.database_restore import do_as_documented
from tests.integration.api.plant import CELL, NOW_US, PLANT, later, morning
from tests.integration.api.saying import SHIFT, say, undo
from tests.servers.postgres import Postgres
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.storage.schema import migrate

RUN = {"name": "site run", "unit": CELL, "start": later(0), "end": later(120), "confidence": 0.9}
TARGETS = {"availability": 0.4, "first_pass_yield": 0.9, "mtbf_s": 600.0}


@pytest.fixture(params=["sqlite", "postgresql"])
def postgres(request: pytest.FixtureRequest) -> Postgres | None:
    """A cluster of this test's own, with the database of the documentation; None: SQLite."""
    if request.param == "sqlite":
        return None
    found: Postgres = request.getfixturevalue("own_postgres")
    found.run_sql("CREATE DATABASE zoneledger")
    return found


@asynccontextmanager
async def _serving(postgres: Postgres | None, directory: Path) -> AsyncIterator[httpx.AsyncClient]:
    url = f"sqlite:///{directory / 'zoneledger.db'}" if postgres is None else postgres.url("zoneledger")
    await migrate(url)
    app = create_app(build_service(url, clock=lambda: NOW_US))
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as client,
    ):
        yield client


async def _all_told(api: httpx.AsyncClient, proof: int) -> dict[str, Any]:
    """Return what is told of given reasons and acceptance runs, and of figures that rest on them."""
    paths = [f"/v1/reasons/{CELL}", "/v1/proofs", f"/v1/proofs/{proof}", f"/v1/proofs/{proof}/check"]
    shift = [f"/v1/{call}/{CELL}" for call in ("kpi", "losses", "questions", "revisions")]
    answers = {path: await api.get(path) for path in paths} | {
        path: await api.get(path, params=SHIFT) for path in shift
    }
    assert {answer.status_code for answer in answers.values()} == {200}
    return {path: answer.json() for path, answer in answers.items()}


async def _declare(api: httpx.AsyncClient) -> int:
    answer = await api.post("/v1/proofs", json=RUN | {"targets": TARGETS})
    assert answer.status_code == 201, answer.text
    return int(answer.json()["id"])


async def test_given_reasons_and_frozen_runs_are_restored_and_go_on(postgres: Postgres | None, tmp_path: Path) -> None:
    async with _serving(postgres, tmp_path) as api:
        assert (await api.put("/v1/plant", json=PLANT)).status_code == 200
        assert (await api.post("/v1/messages", json={"cell": CELL, "messages": morning()})).json()["refused"] == []
        given = await say(api, 30, 45, "sensor", note="the cable, again")
        undone = await say(api, 45, 60, "sensor")
        assert (await undo(api, undone["id"])).status_code == 201
        proof = await _declare(api)
        frozen = (await api.post(f"/v1/proofs/{proof}/freeze")).json()
        before = await _all_told(api, proof)
        await asyncio.to_thread(do_as_documented, "backup", tmp_path, postgres)
        assert (await undo(api, given["id"])).status_code == 201
        await _declare(api)
        assert await _all_told(api, proof) != before
    await asyncio.to_thread(do_as_documented, "restore", tmp_path, postgres)
    async with _serving(postgres, tmp_path) as api:
        assert await _all_told(api, proof) == before
        check = before[f"/v1/proofs/{proof}/check"]
        assert (check["same_evidence"], check["same_figures"], check["same_method"]) == (True, True, True)
        assert before[f"/v1/kpi/{CELL}"]["given_s"] == {"fault": {"clamp-force": {"sensor": 900.0}}}
        assert (await api.post(f"/v1/proofs/{proof}/freeze")).json() == frozen
        assert (await say(api, 46, 47, "sensor"))["id"] > undone["id"]
        assert (await undo(api, given["id"])).status_code == 201
        assert await _declare(api) > proof
