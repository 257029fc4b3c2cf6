"""GET /v1/units is put together by hand, for speed: it is held against the model that the document describes."""

import json

import httpx
import pytest

from tests.integration.api.plant import CELL, OTHER, PLANT, own, snapshot
from zoneledger.api.routes.units import UnitsAnswer


async def _check(api: httpx.AsyncClient) -> UnitsAnswer:
    answer = await api.get("/v1/units")
    assert answer.headers["content-type"] == "application/json"
    model = UnitsAnswer.model_validate_json(answer.content, strict=True)
    assert json.dumps(answer.json()) == json.dumps(json.loads(model.model_dump_json()))
    return model


async def test_it_is_as_the_model_has_it_with_states_links_and_what_was_received(told: httpx.AsyncClient) -> None:
    alarm = {"type": "alarm", "phase": "raise", "code": 'e"stop\\ é', "severity": "stop", 'sh"ade': 1}
    messages = [snapshot(719.9, "1", "2", boot=2), own(1, 719.97, boot=2, **alarm)]
    assert (await told.post("/v1/messages", json={"cell": CELL, "messages": messages})).status_code == 200
    found = await _check(told)
    first, second = found.sites[0].lines[0].cells
    assert (first.reason, first.received.unknown_fields) == ('e"stop\\ é', {'sh"ade': 1})
    assert (second.unit, second.state, second.since) == (OTHER, "unknown", None)


@pytest.mark.parametrize("sites", [[], [PLANT["sites"][0] | {"lines": []}]])
async def test_it_is_as_the_model_has_it_without_cells(told: httpx.AsyncClient, sites: list[object]) -> None:
    assert (await told.put("/v1/plant", json={"sites": sites})).status_code == 200
    found = await _check(told)
    assert len(found.sites) == len(sites)
    assert found.undeclared == [CELL]


async def test_it_is_as_the_model_has_it_before_any_plant_was_declared(api: httpx.AsyncClient) -> None:
    assert await _check(api) == UnitsAnswer(plant_version=0, sites=[], undeclared=[])
