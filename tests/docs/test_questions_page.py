"""The ten questions of docs/questions.md, each asked of an invented plant: one request answers it."""

import re
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.docs.pages import read
from zoneledger.asgi import create_app, open_service
from zoneledger.clock import now_us
from zoneledger.core.validation import parse_instant
from zoneledger.settings import Settings
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate

PAGE = read("docs/questions.md")
SECTIONS = re.findall(r"^## (\d+)\. (.+?)\n(.+?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL)
START_US = parse_instant("start", "2026-11-24T22:00:00Z")
DAY_US = 86_400_000_000


def _names(value: Any) -> Iterator[str]:
    """Yield every field's name of an answer, however deep."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield name
            yield from _names(inner)
    if isinstance(value, list):
        for inner in value:
            yield from _names(inner)


@pytest.fixture
async def plant(tmp_path: Path) -> AsyncIterator[httpx.AsyncClient]:
    """A client of a service that knows a day of the demo's first cell."""
    path = tmp_path / "zoneledger.db"
    app = create_app(await open_service(Settings(database_url=f"sqlite:///{path}")))
    scenario = replace(demo_scenario(cells=1, seed=5), snapshot_s=60.0, timezone="UTC")
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as client,
    ):
        assert (await client.put("/v1/plant", json=plant_document(scenario))).status_code == 200
        until_us = START_US + DAY_US
        await simulate(scenario, start_us=START_US, until_us=until_us, sender=HttpSender(client), now_us=now_us)
        yield client


def test_there_are_ten_questions_with_one_request_each() -> None:
    assert [number for number, _, _ in SECTIONS] == [str(number) for number in range(1, 11)]
    assert all(len(re.findall(r"^    GET ", body, re.MULTILINE)) == 1 for _, _, body in SECTIONS)


async def test_each_question_is_answered_by_its_request(plant: httpx.AsyncClient) -> None:
    missing: dict[str, set[str]] = {}
    for _, title, body in SECTIONS:
        (path,) = re.findall(r"^    GET (\S+)$", body, re.MULTILINE)
        answer = await plant.get(path)
        assert answer.status_code == 200, answer.text
        named = {name for name in re.findall(r"`(\w+)`", body) if not name.startswith("v1")}
        missing[title] = named - set(_names(answer.json()))
        assert answer.json().get("planned_s", 1) > 0
    assert {title: names for title, names in missing.items() if names} == {}
