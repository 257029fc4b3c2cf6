"""Figures of time that is over: summed beforehand, with an ETag, kept while they hold, and told as the document says."""

import asyncio
import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.conftest import Send
from tests.integration.api.plant import CELL, OTHER, PLANT, later, own, snapshot
from zoneledger.api import kept
from zoneledger.api.kpi_answers import ComparedAnswer, KpiAnswer, SeriesAnswer
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.windows import MAX_WINDOW_US
from zoneledger.bootstrap import Service

EARLY = {"shift": "2026-03-02/early"}
WHOLE = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T14:00:00Z"}
LINE = "bench/line-1"
#: A shift that is over, a day that is not, a series, a comparison, a zone, a line and a site.
ASKED: list[tuple[str, dict[str, str]]] = [
    (CELL, EARLY),
    (f"{CELL}/1", EARLY),
    (LINE, EARLY),
    (LINE, {"day": "2026-03-02", "by": "shift"}),
    (LINE, EARLY | {"against": "before"}),
    ("bench", {"start": "2026-03-01T00:00:00Z", "end": "2026-03-02T00:00:00Z", "by": "hour"}),
    (CELL, {"start": "2026-03-02T06:07:00Z", "end": "2026-03-02T15:00:00Z"}),
    (CELL, {"start": "2026-03-02T06:07:00Z", "end": "2026-03-02T07:00:00Z", "by": "shift"}),
]


async def _presum(service: Service) -> None:
    await presum(Presumming(service.store, service.plants, service.now_us, service.limits), MAX_WINDOW_US)


async def _ask(api: httpx.AsyncClient, unit: str = CELL, etag: str | None = None, **query: str) -> httpx.Response:
    headers = {} if etag is None else {"If-None-Match": etag}
    return await api.get(f"/v1/kpi/{unit}", params=query or EARLY, headers=headers)


@pytest.mark.parametrize(("unit", "query"), ASKED)
async def test_an_answer_is_the_same_summed_beforehand_or_not_kept_or_not_and_as_the_models_have_it(
    told: httpx.AsyncClient, service: Service, unit: str, query: dict[str, str]
) -> None:
    before = await _ask(told, unit, **query)
    await _presum(service)
    answers = [await _ask(told, unit, **query) for _ in range(2)]
    assert [one.content for one in answers] == [before.content] * 2
    assert {one.headers.get("etag") for one in (before, *answers)} == {before.headers.get("etag")}
    model = SeriesAnswer if "by" in query else ComparedAnswer if "against" in query else KpiAnswer
    checked = model.model_validate_json(before.content, strict=True)
    assert json.loads(checked.model_dump_json()) == before.json()
    assert list(before.json()) == list(model.model_fields) or model is ComparedAnswer
    assert before.headers["content-type"] == "application/json"


async def test_an_answer_about_time_that_is_not_over_has_no_etag(told: httpx.AsyncClient) -> None:
    assert "etag" not in (await _ask(told, day="2026-03-02")).headers
    assert "etag" in (await _ask(told)).headers


@pytest.mark.parametrize("form", ["{0}", "W/{0}", '"other", {0}', "*"])
async def test_who_has_the_answer_is_told_so_without_it(told: httpx.AsyncClient, service: Service, form: str) -> None:
    etag = (await _ask(told)).headers["etag"]
    for _ in range(2):  # computed, then kept
        answer = await _ask(told, etag=form.format(etag))
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", etag)
        await _presum(service)
        await _ask(told)
    other = await _ask(told, etag='"another"')
    assert other.status_code == 200


async def test_a_kept_answer_is_not_computed_again(told: httpx.AsyncClient, service: Service, app: FastAPI) -> None:
    await _presum(service)
    first = await _ask(told)
    (held,) = app.state.kept._kept.values()
    marked = held._replace(body=b'{"kept": true}')
    app.state.kept._kept[next(iter(app.state.kept._kept))] = marked
    assert (await _ask(told)).json() == {"kept": True}
    assert (await _ask(told, OTHER)).json() != {"kept": True}
    assert (await _ask(told, etag=first.headers["etag"])).status_code == 304


async def _late(send: Send, _: httpx.AsyncClient) -> None:
    await send(own(900, 130), snapshot(130, "1", "2", seq=900))


async def _given(_: Send, told: httpx.AsyncClient) -> None:
    body = {"unit": CELL, "start": later(30), "end": later(60), "reason": "sensor", "by": "maintenance"}
    assert (await told.post("/v1/reasons", json=body)).status_code == 201


async def _slower(_: Send, told: httpx.AsyncClient) -> None:
    plant: Any = json.loads(json.dumps(PLANT))
    plant["sites"][0]["lines"][0]["standards"][0]["seconds"] = 17.0
    assert (await told.put("/v1/plant", json=plant)).status_code == 200


@pytest.mark.parametrize("change", [_late, _given, _slower])
@pytest.mark.parametrize("unit", [CELL, LINE, "bench"])
async def test_what_changes_the_figures_changes_the_answer_and_its_etag(
    told: httpx.AsyncClient, service: Service, send: Send, change: Any, unit: str
) -> None:
    await _presum(service)
    before = [await _ask(told, unit, **WHOLE) for _ in range(2)][-1]
    await change(send, told)
    after = await _ask(told, unit, **WHOLE, etag=before.headers["etag"])
    assert after.status_code == 200
    assert after.json() != before.json()
    assert after.headers["etag"] != before.headers["etag"]
    await _presum(service)
    assert (await _ask(told, unit, **WHOLE)).content == after.content


async def test_what_was_not_asked_for_the_longest_is_kept_no_more(
    told: httpx.AsyncClient, service: Service, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    await _presum(service)
    units = (CELL, OTHER, f"{CELL}/1")
    sizes = [len((await _ask(told, unit)).content) for unit in units]
    kept.install(app)
    monkeypatch.setattr(kept, "MOST_BYTES", sum(sizes) - 1)
    for unit in (CELL, OTHER, CELL, f"{CELL}/1"):
        await _ask(told, unit)
    assert [path.rpartition("/kpi/")[2] for path, _ in app.state.kept._kept] == [CELL, f"{CELL}/1"]


async def test_what_is_summed_beforehand_takes_no_turn_and_what_is_not_does(
    told: httpx.AsyncClient, service: Service, app: FastAPI
) -> None:
    await _presum(service)
    async with app.state.turns["figures"].turn():
        assert (await asyncio.wait_for(_ask(told), 20)).status_code == 200
        waiting = asyncio.ensure_future(_ask(told, day="2026-03-02"))
        assert (await asyncio.wait_for(_ask(told, LINE), 20)).status_code == 200
        assert not waiting.done()
    assert (await asyncio.wait_for(waiting, 20)).status_code == 200
