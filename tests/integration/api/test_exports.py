"""GET /v1/events and /v1/snapshots: all that is stored, as it came and in the order in which it was stored."""

import json
from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, OTHER, morning, own, snapshot
from tests.integration.api.problem import problem


async def _all(get: Get, name: str, **query: Any) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    after: int | None = 0
    while after is not None:
        answer = await get(f"/v1/{name}", after=after, **query)
        rows += answer[name]
        after = answer["next"]
    return rows


async def test_every_event_is_given_as_it_came_whatever_the_length_of_a_page(get: Get) -> None:
    sent = [one for one in morning() if one["type"] != "snapshot"]
    for limit in (1, 3, 5000):
        rows = await _all(get, "events", limit=limit)
        assert [row["message"] for row in rows] == sent
    assert [(row["boot"], row["seq"], row["type"]) for row in rows] == [(m["boot"], m["seq"], m["type"]) for m in sent]
    assert [row["id"] for row in rows] == sorted({row["id"] for row in rows})
    assert {row["cell"] for row in rows} == {CELL}


async def test_an_event_is_given_in_its_own_text_however_it_is_written(told: httpx.AsyncClient) -> None:
    text = '{ "v":1,"boot":7,\n "seq": 1, "at":"2026-03-02T08:40:00.50+01:00","type":"q\\"\\\\\u20ac\U0001f527", "x":1.50E0, "y":[ ] }'
    body = f'{{"cell": "{CELL}", "messages": [{text}]}}'.encode()
    answer = await told.post("/v1/messages", content=body, headers={"content-type": "application/json"})
    assert answer.json()["stored"] == 1
    page = await told.get("/v1/events", params={"limit": 5000})
    assert text.encode() in page.content
    assert (page.json()["events"][-1]["message"], page.json()["events"][-1]["type"]) == (
        json.loads(text),
        'q"\\\u20ac\U0001f527',
    )


async def test_every_snapshot_is_given_with_what_it_told(get: Get) -> None:
    sent = [one for one in morning() if one["type"] == "snapshot"]
    rows = await _all(get, "snapshots", limit=1)
    assert [(row["seq"], set(row["zones"]), len(row["alarms"])) for row in rows] == [
        (m["seq"], set(m["zones"]), len(m["alarms"])) for m in sent
    ]


async def test_a_unit_leaves_the_cells_of_others_out(get: Get, send: Send) -> None:
    await send(
        snapshot(130, "1", boot=10),
        own(1, 131, boot=10, type="alarm", phase="clear", code="a", severity="stop"),
        cell=OTHER,
    )
    for name in ("events", "snapshots"):
        (of_other,) = await _all(get, name, unit=OTHER)
        assert of_other["cell"] == OTHER
        assert of_other not in await _all(get, name, unit=CELL)
        assert of_other in await _all(get, name)


async def test_a_duplicate_is_stored_once(get: Get, send: Send) -> None:
    before = await _all(get, "events")
    await send(*morning())
    assert await _all(get, "events") == before


@pytest.mark.parametrize("name", ["events", "snapshots"])
async def test_what_cannot_be_given_is_a_problem(told: httpx.AsyncClient, name: str) -> None:
    unknown = problem(await told.get(f"/v1/{name}", params={"unit": "harbour/wing-9"}), "unit_unknown")
    assert "harbour/wing-9" in unknown["detail"]
    too_many = problem(await told.get(f"/v1/{name}", params={"limit": 5001}), "request_invalid")
    assert "5000" in too_many["detail"]
