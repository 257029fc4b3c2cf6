"""A client that is generated from the OpenAPI document asks a real service, and understands what it answers."""

import asyncio
import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import httpx
import pytest

from tests.docs.pages import DOCS
from tests.integration.api.plant import CELL, NOW_US, PLANT, morning
from tests.integration.api.server import served
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.storage.schema import migrate

NAME = "generated_client"
SHIFT = "2026-03-02/early"


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The directory of a generated client, in which Python finds it."""
    directory = tmp_path_factory.mktemp("client")
    (directory / "config.yaml").write_text("post_hooks: []\n")
    command = [sys.executable, "-m", "openapi_python_client", "generate", "--meta", "none", "--output-path", NAME]
    made = subprocess.run(
        [*command, "--path", str(DOCS / "openapi.json"), "--config", "config.yaml"],
        cwd=directory,
        capture_output=True,
        text=True,
        timeout=120,
    )
    said = made.stdout + made.stderr
    assert made.returncode == 0, said
    # A plant model may be sent as YAML, too: a client in Python sends JSON.
    warned = [line for line in said.splitlines() if line.startswith(("WARNING", "Unable", "ERROR"))]
    assert warned == ["WARNING parsing PUT /v1/plant within plant."], said
    sys.path.insert(0, str(directory))
    yield directory
    sys.path.remove(str(directory))


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The address of a server that knows a morning."""
    url = f"sqlite:///{tmp_path / 'zoneledger.db'}"
    asyncio.run(migrate(url))
    with served(lambda: create_app(build_service(url, clock=lambda: NOW_US))) as address:
        assert httpx.put(f"{address}/v1/plant", json=PLANT).status_code == 200
        assert httpx.post(f"{address}/v1/messages", json={"cell": CELL, "messages": morning()}).status_code == 200
        yield address


def _part(name: str) -> ModuleType:
    return importlib.import_module(f"{NAME}.{name}")


@pytest.fixture
def client(generated: Path, address: str) -> Iterator[Any]:
    """The client, which closes its connections at the end."""
    with _part("client").Client(base_url=address) as client:
        yield client


def test_it_asks_for_units_figures_losses_and_the_plant(client: Any, address: str) -> None:
    units = _part("api.units.get_units").sync(client=client)
    cell = units.sites[0].lines[0].cells[0]
    assert (cell.unit, cell.state, len(cell.zones)) == (CELL, "unknown", 2)
    kpi = _part("api.figures.get_kpi").sync(CELL, client=client, shift=SHIFT)
    asked = httpx.get(f"{address}/v1/kpi/{CELL}", params={"shift": SHIFT}).json()
    assert (kpi.oee, kpi.fasteners.made, kpi.time_s.running) == (asked["oee"], 100, asked["time_s"]["running"])
    series = _part("api.figures.get_kpi").sync(CELL, client=client, shift=SHIFT, by=_by("hour"))
    assert [type(one).__name__ for one in series.series] == 8 * ["KpiAnswer"]
    compared = _part("api.figures.get_kpi").sync(CELL, client=client, shift=SHIFT, against="before")
    assert compared.against.shift == "2026-03-01/late"
    losses = _part("api.figures.get_losses").sync(CELL, client=client, shift=SHIFT)
    assert sum(step.lost_s for step in losses.steps) == pytest.approx(losses.planned_s - losses.good_standard_s)
    plant = _part("api.plant.get_plant").sync(client=client)
    assert plant.sites[0].site == "bench"
    assert plant.to_dict()["sites"][0]["lines"][0]["cells"] == PLANT["sites"][0]["lines"][0]["cells"]


def _by(name: str) -> Any:
    return _part("models.get_kpi_by").GetKpiBy(name)


def test_it_understands_a_problem(client: Any) -> None:
    problem = _part("api.figures.get_kpi").sync("bench/line-9", client=client, shift=SHIFT)
    assert (problem.code, problem.status) == ("unit_unknown", 404)
