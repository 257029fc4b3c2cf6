"""The metrics are Prometheus text with bounded labels, and say what happened to real messages."""

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any, get_args

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.integration.api.listening import listening
from tests.integration.api.plant import CELL, NOW_US, OTHER, PLANT, later, morning, own, snapshot
from tests.integration.api.server import served_here
from zoneledger.api.aside import Aside
from zoneledger.api.metrics import METRICS, PREFIX, Looked, snapshot_of, text_of
from zoneledger.api.routes import metrics as route
from zoneledger.application.ports import Reading, Store
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.calendar import HOUR_US
from zoneledger.core.decoding import Reason
from zoneledger.core.states import STATES
from zoneledger.core.validation import parse_instant

Metrics = dict[tuple[str, tuple[tuple[str, str], ...]], float]


async def _metrics(api: httpx.AsyncClient) -> Metrics:
    """Return every sample by its name without the prefix and its labels."""
    answer = await api.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    found: Metrics = {}
    for family in text_string_to_metric_families(answer.text):
        assert family.documentation
        assert family.type in ("counter", "gauge", "histogram")
        for sample in family.samples:
            assert sample.name.startswith(PREFIX)
            key = sample.name.removeprefix(PREFIX), tuple(sorted(sample.labels.items()))
            assert key not in found
            found[key] = sample.value
    return found


async def _once_looked(api: httpx.AsyncClient) -> Metrics:
    """Return the metrics once both cells were looked at."""
    return await _until(api, lambda found: found.get(("cells", ())) == 2)


async def _until(api: httpx.AsyncClient, holds: Callable[[Metrics], bool]) -> Metrics:
    """Return the metrics once something holds of them."""
    async with asyncio.timeout(20):
        while True:
            if holds(found := await _metrics(api)):
                return found
            await asyncio.sleep(0.01)


def _of(metrics: Metrics, name: str, **labels: str) -> float | None:
    return metrics.get((name, tuple(sorted(labels.items()))))


async def test_messages_are_counted_by_what_became_of_them(told: httpx.AsyncClient) -> None:
    before = await _once_looked(told)
    number = len(morning())
    assert _of(before, "messages_stored_total") == number
    assert _of(before, "fasteners_total", cell=CELL, result="good") == 95
    assert _of(before, "fasteners_total", cell=CELL, result="reject") == 5
    body = {"cell": CELL, "messages": [*morning(), 42, {"v": 2}]}
    assert len((await told.post("/v1/messages", json=body)).json()["refused"]) == 2
    body = {"cell": "bench/line-1/cell-9", "messages": morning()[:3]}
    await told.post("/v1/messages", json=body)
    after = await _metrics(told)
    assert _of(after, "messages_stored_total") == number
    assert _of(after, "messages_duplicate_total") == number
    refused = {reason: _of(after, "messages_refused_total", reason=reason) for reason in get_args(Reason)}
    assert {reason: n for reason, n in refused.items() if n} == {
        "not_an_object": 1,
        "version_unsupported": 1,
        "unknown_cell": 3,
    }
    assert _of(after, "ingest_group_deliveries_count") == 3
    assert _of(after, "ingest_group_deliveries_sum") == 3
    assert _of(after, "ingest_commit_seconds_bucket", le="+Inf") == 3
    assert (_of(after, "ingest_waiting_deliveries"), _of(after, "ingest_waiting_bytes")) == (0, 0)


async def test_each_cell_has_its_state_its_link_and_the_age_of_its_last_message(told: httpx.AsyncClient) -> None:
    found = await _once_looked(told)
    states = [state for state in STATES if _of(found, "cell_state", cell=CELL, state=state) == 1]
    assert states == ["unknown"]  # it has been silent for ten hours
    assert {_of(found, "cell_state", cell=OTHER, state=state) for state in STATES} == {0, 1}
    assert max(one["at"] for one in morning()).startswith(later(120)[:16])
    assert _of(found, "cell_last_message_age_seconds", cell=CELL) == 10 * 3600
    assert _of(found, "cell_last_message_age_seconds", cell=OTHER) is None
    assert _of(found, "cell_link_up", cell=CELL) is None


async def test_a_cell_that_was_never_heard_is_told_so_and_whether_its_line_is_in_a_shift(
    told: httpx.AsyncClient,
) -> None:
    """What an alert is made of: a cell that never sent has no age, and nobody is woken outside of shifts."""
    found = await _once_looked(told)
    assert [_of(found, "cell_heard", cell=cell) for cell in (CELL, OTHER)] == [1, 0]
    assert _of(found, "cell_last_message_age_seconds", cell=OTHER) is None
    assert [_of(found, "cell_in_shift", cell=cell) for cell in (CELL, OTHER)] == [1, 1]


@pytest.mark.parametrize(("hour", "lasts"), [(2, 0), (6, 1), (10.25, 1), (22, 0)])
async def test_a_cell_is_in_a_shift_from_its_start_to_its_end_planned_stops_included(
    told: httpx.AsyncClient, database_url: str, hour: float, lasts: int
) -> None:
    begin_us = parse_instant("day", "2026-03-02T00:00:00Z")
    app = create_app(build_service(database_url, clock=lambda: begin_us + round(hour * HOUR_US), reads_only=True))
    transport = httpx.ASGITransport(app)
    async with app.router.lifespan_context(app), httpx.AsyncClient(transport=transport, base_url="http://test") as api:
        found = await _once_looked(api)
        assert {_of(found, "cell_in_shift", cell=cell) for cell in (CELL, OTHER)} == {lasts}


async def test_a_cell_without_shifts_always_is_in_one_and_none_is_before_it_belongs_to_its_line(
    told: httpx.AsyncClient,
) -> None:
    site = PLANT["sites"][0]
    line = {name: value for name, value in site["lines"][0].items() if name != "shifts"}
    cells = [{"cell": "cell-1", "zones": ["1", "2"]}, {"cell": "cell-2", "zones": ["1"], "since": "2026-03-03"}]
    answer = await told.put("/v1/plant", json={"sites": [site | {"lines": [line | {"cells": cells}]}]})
    assert answer.status_code == 200, answer.text
    await _until(told, lambda found: [_of(found, "cell_in_shift", cell=cell) for cell in (CELL, OTHER)] == [1, 0])


async def test_a_cell_that_works_now_runs(told: httpx.AsyncClient) -> None:
    zones = {"1": {"activity": "process"}, "2": {}}
    body = {"cell": OTHER, "messages": [snapshot(720) | {"zones": {"1": zones["1"]}}]}
    assert (await told.post("/v1/messages", json=body)).json()["stored"] == 1
    await _once_looked(told)
    await _until(told, lambda found: _of(found, "cell_state", cell=OTHER, state="running") == 1)


async def test_a_gap_is_counted_and_so_is_what_is_not_summed_beforehand(told: httpx.AsyncClient) -> None:
    body = {"cell": OTHER, "messages": [snapshot(0, "1"), own(1), own(5)]}
    assert (await told.post("/v1/messages", json=body)).json()["refused"] == []
    found = await _metrics(told)
    assert _of(found, "gaps_open") == 1
    assert (_of(found, "presums_behind") or 0) > 0  # nobody sums beforehand here


async def test_an_open_stream_the_database_and_the_process_are_told(service: Service) -> None:
    app = create_app(service)
    async with served_here(app) as address, httpx.AsyncClient(base_url=address) as api:
        async with listening(address) as stream:
            await stream.until("anew")
            assert _of(await _metrics(api), "live_streams_open") == 1
        found = await _metrics(api)
        assert _of(found, "database_up") == 1
        assert _of(found, "database_takes_in") == 1
        [(labels, value)] = [(dict(key[1]), value) for key, value in found.items() if key[0] == "build_info"]
        assert (labels["mode"], value) == ("full", 1)
        assert _of(found, "broker_connected") is None  # there is none


async def test_a_process_that_only_reads_says_so(told: httpx.AsyncClient, database_url: str) -> None:
    app = create_app(build_service(database_url, clock=lambda: NOW_US, reads_only=True))
    transport = httpx.ASGITransport(app)
    async with app.router.lifespan_context(app), httpx.AsyncClient(transport=transport, base_url="http://test") as api:
        found = await _once_looked(api)
        assert [dict(labels)["mode"] for name, labels in found if name == "build_info"] == ["reads_only"]
        assert _of(found, "database_takes_in") is None
        assert _of(found, "cells") == 2
        assert _of(found, "messages_stored_total") == 0


async def test_labels_hold_nothing_that_was_sent(told: httpx.AsyncClient) -> None:
    hostile = 'x"} 1\nzoneledger_database_up 0\n# {\\'
    alarm = {"type": "alarm", "phase": "raise", "severity": "stop", "code": 'a"}\u2028{', "zone": "1"}
    bodies: list[dict[str, Any]] = [
        {"cell": hostile, "messages": morning()[:2]},
        {"cell": CELL, "messages": [own(9000 + n, 600, type=f"{hostile}{n}", **{hostile: n}) for n in range(30)]},
        {"cell": CELL, "messages": [own(9100, 601) | alarm]},
    ]
    before = await _once_looked(told)
    for body in bodies:
        assert (await told.post("/v1/messages", json=body)).status_code in (200, 422)
    after = await _metrics(told)
    assert after.keys() == before.keys()
    values = {value for _, labels in after for name, value in labels if name != "version"}
    assert {value for value in values if "/" in value} == {CELL, OTHER}


async def test_every_metric_is_told_but_those_of_a_broker(told: httpx.AsyncClient, database_url: str) -> None:
    await told.post("/v1/messages", json={"cell": CELL, "messages": []})
    names = {name for name, _ in await _once_looked(told)}
    missing = [name for name in METRICS if not any(told.startswith(name) for told in names)]
    of_broker = [name for name in METRICS if name.startswith("broker_")] + ["lease_held", "publisher_connected"]
    of_file = [] if database_url.startswith("sqlite") else ["database_free_bytes"]
    assert sorted({*missing} - {"event_loop_late_p99_seconds", "event_loop_late_most_seconds"}) == sorted(
        [*of_broker, *of_file, "cell_link_up"]
    )


async def test_a_plant_of_another_shape_leaves_no_cell_behind(told: httpx.AsyncClient) -> None:
    await _once_looked(told)
    site = PLANT["sites"][0]
    line = site["lines"][0] | {"cells": [{"cell": "cell-2", "zones": ["1"]}]}
    await told.put("/v1/plant", json={"sites": [site | {"lines": [line]}]})
    found = await _until(told, lambda found: _of(found, "cells") == 1)
    assert {dict(labels)["cell"] for _, labels in found if "cell" in dict(labels)} == {OTHER}


@pytest.mark.parametrize("query", ["name=x", "%ff"])
async def test_a_query_that_is_no_utf_8_is_a_problem_and_another_changes_nothing(
    told: httpx.AsyncClient, query: str
) -> None:
    assert (await told.get(f"/metrics?{query}")).status_code == (400 if "%ff" in query else 200)


async def test_what_is_counted_while_a_text_is_made_is_not_half_in_it(service: Service) -> None:
    snapshot = snapshot_of(service, streams_open=0, refused_logins=0, ailing=(), looked=Looked())
    before = text_of(snapshot)
    service.recorder.tally.groups.note(1)
    service.recorder.tally.stored += 1
    service.recorder.tally.refused["bad_text"] += 1
    assert text_of(snapshot) == before


class _Slow:
    """A store that is read once it may be; asked in another thread."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.may = threading.Event()

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        await asyncio.to_thread(self.may.wait, 30)
        async with self._store.reading() as reading:
            yield reading

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


async def test_a_look_that_takes_longer_than_a_scrape_is_told_by_a_later_one(
    told: httpx.AsyncClient, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(route, "LOOK_S", 0.01)
    slow, looks = _Slow(service.aside), route.Looks()
    aside = Aside(replace(service, aside=slow))
    assert await looks.last(aside) == Looked()
    slow.may.set()
    monkeypatch.setattr(route, "LOOK_S", 20.0)
    assert (await looks.last(aside)).gaps_open == 0
    await aside.stop()
