"""GET and PUT /v1/plant: declared whole, checked whole, every version kept."""

import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import NOW, PLANT
from tests.integration.api.problem import problem
from zoneledger.api import turns

YAML = {"content-type": "application/yaml"}
TEXT = """sites:
  - site: bench
    timezone: UTC
    lines:
      - line: line-1
        cells:
          - {cell: cell-1, zones: ["1"]}
"""


async def test_the_empty_plant_is_version_0(api: httpx.AsyncClient) -> None:
    answer = await api.get("/v1/plant")
    assert (answer.json(), answer.headers["zoneledger-plant-version"]) == ({"sites": []}, "0")


async def test_a_plant_comes_back_as_it_was_declared(api: httpx.AsyncClient) -> None:
    assert (await api.put("/v1/plant", json=PLANT)).json() == {"version": 1, "applied": NOW, "restates": []}
    answer = await api.get("/v1/plant")
    assert (answer.json(), answer.headers["zoneledger-plant-version"]) == (PLANT, "1")


async def test_the_same_plant_again_keeps_its_version(api: httpx.AsyncClient) -> None:
    await api.put("/v1/plant", json=PLANT)
    again = await api.put(
        "/v1/plant", content=json.dumps(PLANT, indent=3), headers={"content-type": "application/json"}
    )
    assert again.json() == {"version": 1, "applied": NOW, "restates": []}


async def test_every_version_is_kept(api: httpx.AsyncClient) -> None:
    await api.put("/v1/plant", json=PLANT)
    assert (await api.put("/v1/plant", json={"sites": []})).json()["version"] == 2
    assert (await api.get("/v1/plant", params={"version": 1})).json() == PLANT
    assert (await api.get("/v1/plant", params={"version": 2})).json() == {"sites": []}
    assert (await api.get("/v1/plant")).json() == {"sites": []}
    assert (
        "the last one is 2" in problem(await api.get("/v1/plant", params={"version": 3}), "version_unknown")["detail"]
    )


@pytest.mark.parametrize("kind", ["application/yaml", "application/x-yaml", "text/yaml; charset=utf-8"])
async def test_yaml_is_taken_and_given(api: httpx.AsyncClient, kind: str) -> None:
    assert (await api.put("/v1/plant", content=TEXT, headers={"content-type": kind})).json()["version"] == 1
    answer = await api.get("/v1/plant", headers={"accept": "application/yaml, application/json"})
    assert answer.headers["content-type"].startswith("application/yaml")
    assert (await api.put("/v1/plant", content=answer.content, headers=YAML)).json()["version"] == 1


async def test_yaml_that_is_given_is_the_plant_declared_as_json(api: httpx.AsyncClient) -> None:
    await api.put("/v1/plant", json=PLANT)
    given = await api.get("/v1/plant", headers={"accept": "application/yaml"})
    assert (await api.put("/v1/plant", content=given.content, headers=YAML)).json()["version"] == 1


async def test_yaml_is_read_and_written_in_turn_and_the_last_version_written_once(
    api: httpx.AsyncClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    plants: list[dict[str, Any]] = [{"sites": []}, PLANT]
    for plant in plants:
        await api.put("/v1/plant", json=plant)
    accept = {"accept": "application/yaml"}
    first = await api.get("/v1/plant", headers=accept)
    async with app.state.turns["plant"].turn():
        monkeypatch.setattr(turns, "LONGEST_WAIT_S", 0.01)
        assert (await api.get("/v1/plant", headers=accept)).content == first.content
        assert (await api.get("/v1/plant")).json() == PLANT
        assert (await api.get("/v1/plant", params={"version": 1})).json() == {"sites": []}
        problem(await api.get("/v1/plant", params={"version": 1}, headers=accept), "busy")
        problem(await api.put("/v1/plant", content=TEXT, headers=YAML), "busy")
    monkeypatch.undo()
    older = await api.get("/v1/plant", params={"version": 1}, headers=accept)
    assert (older.text, older.headers["zoneledger-plant-version"]) == ("sites: []\n", "1")
    assert (await api.get("/v1/plant", headers=accept)).content == first.content
    assert (await api.put("/v1/plant", content=TEXT, headers=YAML)).json()["version"] == 3
    assert (await api.get("/v1/plant", headers=accept)).content != first.content


@pytest.mark.parametrize("accept", ["*/*", "application/json", "application/json, application/yaml", "text/html"])
async def test_json_is_given_unless_yaml_is_asked_for(api: httpx.AsyncClient, accept: str) -> None:
    answer = await api.get("/v1/plant", headers={"accept": accept})
    assert answer.headers["content-type"] == "application/json"


async def test_all_faults_of_yaml_are_told_with_their_lines_and_change_nothing(api: httpx.AsyncClient) -> None:
    await api.put("/v1/plant", json=PLANT)
    text = TEXT.replace("timezone: UTC", "timezone: Europe/Lissabon").replace('["1"]', '["1", "1"]')
    found = problem(await api.put("/v1/plant", content=text, headers=YAML), "plant_invalid")
    assert [one["place"] for one in found["errors"]] == [
        "document line 3, sites/0/timezone",
        "document line 7, sites/0/lines/0/cells/0/zones/1",
    ]
    assert "Europe/Lisbon" in found["errors"][0]["detail"]
    assert (await api.get("/v1/plant")).json() == PLANT


async def test_all_faults_of_json_are_told_with_their_places(api: httpx.AsyncClient) -> None:
    wrong: Any = {"sites": [{"site": "Bench", "lines": 7, "extra": 1}]}
    found = problem(await api.put("/v1/plant", json=wrong), "plant_invalid")
    places = {one["place"] for one in found["errors"]}
    assert places == {"sites/0/site", "sites/0/timezone", "sites/0/lines", "sites/0/extra"}


@pytest.mark.parametrize(
    "body",
    [b"", b"{", b"[]", b"null", b'{"sites": NaN}', b"\xff", b'{"\\ud800": 1}', b'{"sites": [' * 5000, b"9" * 5000],
)
@pytest.mark.parametrize("kind", ["application/json", "application/yaml"])
async def test_a_body_that_is_no_plant_is_a_problem(api: httpx.AsyncClient, body: bytes, kind: str) -> None:
    found = problem(await api.put("/v1/plant", content=body, headers={"content-type": kind}), "plant_invalid")
    assert found["errors"]


@pytest.mark.parametrize("headers", [{}, {"content-type": "application/json"}])
async def test_yaml_that_was_read_as_json_is_told_by_which_content_type_to_send_it(
    api: httpx.AsyncClient, headers: dict[str, str]
) -> None:
    found = problem(await api.put("/v1/plant", content=TEXT.encode(), headers=headers), "plant_invalid")
    assert [one["place"] for one in found["errors"]] == ["line 1"]
    assert found["errors"][0]["detail"].endswith("; it was read as JSON: for YAML send content-type: application/yaml")
    wrong = problem(await api.put("/v1/plant", json={"sites": 7}), "plant_invalid")
    assert "YAML" not in wrong["errors"][0]["detail"]


async def test_a_plant_that_is_too_large_or_of_another_kind_is_a_problem(api: httpx.AsyncClient) -> None:
    problem(await api.put("/v1/plant", content=b" " * (2**20 + 1), headers=YAML), "body_too_large")
    found = problem(await api.put("/v1/plant", content=b"x", headers={"content-type": "text/plain"}), "media_type")
    assert "application/yaml" in found["detail"]
