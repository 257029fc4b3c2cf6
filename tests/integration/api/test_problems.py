"""Every error is a problem (RFC 9457), whatever went wrong and wherever."""

import asyncio
import logging
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import CELL, PLANT
from tests.integration.api.problem import problem
from zoneledger.api.openapi import build_api
from zoneledger.api.problems import TABLE
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service
from zoneledger.core import errors

PATHS = [
    ("/v1/plant", "GET, PUT"),
    ("/v1/messages", "POST"),
    ("/v1/units", "GET"),
    ("/v1/live", "GET"),
    (f"/v1/kpi/{CELL}", "GET"),
    (f"/v1/timeline/{CELL}", "GET"),
    ("/v1/shifts/bench/line-1", "GET"),
    ("/v1/refused", "GET"),
    ("/v1/refused/counts", "GET"),
    ("/v1/refused/retry", "POST"),
    ("/v1/reasons", "POST"),
    (f"/v1/reasons/{CELL}", "GET"),
    ("/v1/reasons/1/undo", "GET, POST"),
    (f"/v1/questions/{CELL}", "GET"),
    ("/v1/tables/spans", "GET"),
    ("/metrics", "GET"),
    ("/health/ready", "GET"),
]


@pytest.mark.parametrize(
    "path", ["/v1", "/v2/units", "/v1/units/", "/v1/kpi", "/v1/%00", "/%ff", "/health", "/metrics/"]
)
async def test_a_path_that_there_is_not_is_a_problem_that_names_what_there_is(
    api: httpx.AsyncClient, path: str
) -> None:
    found = problem(await api.get(path), "route_unknown")
    assert "/v1/" in found["detail"]
    assert "/openapi.json" in found["detail"]


@pytest.mark.parametrize(
    ("path", "meant"),
    [
        (f"/v1/kip/{CELL}", "/v1/kpi/{unit}"),
        ("/v1/kpi", "/v1/kpi/{unit}"),
        ("/v1/unit", "/v1/units"),
        ("/v1/units/", "/v1/units"),
        (f"/kpi/{CELL}", "/v1/kpi/{unit}"),
        ("/v1/table/spans", "/v1/tables/{table}"),
        ("/metric", "/metrics"),
        ("/v1/message", "/v1/messages"),
        ("/v1/proof", "/v1/proofs"),
        ("/helth/live", "/health/live"),
        (f"/sheets/{CELL}", "/sheet/{unit}"),
    ],
)
async def test_a_path_that_is_nearly_right_is_told_what_was_meant(
    api: httpx.AsyncClient, path: str, meant: str
) -> None:
    told = problem(await api.get(path), "route_unknown")["detail"]
    assert meant in told.partition("Did you mean ")[2].partition("?")[0].split(" or "), told


@pytest.mark.parametrize("path", ["/v2", "/wp-login.php", "/" + "far/" * 9000, "/v1/" + "/" * 90, "/v1/zzzz"])
async def test_a_path_that_is_like_none_is_not_guessed_at(api: httpx.AsyncClient, path: str) -> None:
    assert "Did you mean" not in problem(await api.get(path), "route_unknown")["detail"]


@pytest.mark.parametrize(
    ("path", "told"),
    [
        (
            f"/v1/kpi/{CELL}?shfit=now",
            "query/shfit: is not a parameter of this call. Did you mean shift? There are: start, end, ",
        ),
        ("/v1/plant?colour=1", "query/colour: is not a parameter of this call. There are: version"),
        (f"/v1/kpi/{CELL}?day=2026-02-30", "query/day: there is no date 2026-02-30"),
        (f"/v1/kpi/{CELL}?day=2026-2-3", "query/day: should be a date such as 2026-11-25"),
        (f"/v1/kpi/{CELL}?start=2026-02-20T25:00:00Z", "query/start: there is no hour 25"),
        (f"/v1/kpi/{CELL}?start=2026-02-20T05:60:00Z", "query/start: there is no minute 60"),
        (f"/v1/kpi/{CELL}?start=2026-02-30T05:00:00Z", "query/start: there is no date 2026-02-30"),
        (f"/v1/kpi/{CELL}?start=2026-02-20T05:00:00", "query/start: the time should be RFC 3339 with an offset"),
    ],
)
async def test_a_parameter_that_is_wrong_is_told_with_the_part_that_is(
    api: httpx.AsyncClient, path: str, told: str
) -> None:
    assert problem(await api.get(path), "request_invalid")["detail"].startswith(told)


@pytest.mark.parametrize(("path", "allowed"), PATHS)
async def test_a_method_that_a_path_does_not_take_is_a_problem_with_those_that_it_takes(
    api: httpx.AsyncClient, path: str, allowed: str
) -> None:
    for method in ("DELETE", "PATCH", "OPTIONS", "TRACE", "GET", "PUT", "POST"):
        if method not in allowed.split(", "):
            answer = await api.request(method, path)
            assert problem(answer, "method_not_allowed")["instance"] == path
            assert answer.headers["allow"] == allowed


@pytest.mark.parametrize("query", ["day=%ff", "%c3=1", "unit=%ed%a0%80"])
@pytest.mark.parametrize("path", ["/v1/units", f"/v1/kpi/{CELL}", "/v1/refused"])
async def test_a_query_string_that_is_not_utf_8_is_a_problem(api: httpx.AsyncClient, path: str, query: str) -> None:
    problem(await api.get(f"{path}?{query}"), "query_not_utf8")


async def test_one_fault_of_a_plant_is_not_told_as_several(api: httpx.AsyncClient) -> None:
    found = problem(await api.put("/v1/plant", json={"sites": [], "lines": []}), "plant_invalid")
    assert (len(found["errors"]), found["detail"].partition(";")[0]) == (
        1,
        "1 place of the plant model should be mended",
    )


def test_every_error_of_the_service_has_its_problem() -> None:
    codes = {kind.code for kind in errors.ZoneledgerError.__subclasses__() if kind.__module__ == errors.__name__}
    assert codes <= TABLE.keys()


class _Away:
    """A store whose database does not answer, or fails in a way that nobody foresaw."""

    def __init__(self, error: Exception) -> None:
        self._error = error

    @asynccontextmanager
    async def reading(self) -> Any:
        raise self._error
        yield

    writing = reading

    async def stamp(self, _: Any) -> Any:
        raise self._error

    async def close(self) -> None:
        """Nothing to let go of."""


async def _ask(app: FastAPI, method: str, path: str, **options: Any) -> httpx.Response:
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
        return await client.request(method, path, **options)


GIVING = {
    "unit": CELL,
    "start": "2026-03-02T06:00:00Z",
    "end": "2026-03-02T06:10:00Z",
    "reason": "crane",
    "by": "shift-lead",
}
CALLS: list[tuple[str, str, dict[str, Any]]] = [
    ("GET", "/v1/plant", {}),
    ("PUT", "/v1/plant", {"json": PLANT}),
    ("GET", "/v1/units", {}),
    ("GET", f"/v1/kpi/{CELL}?day=2026-03-02", {}),
    ("GET", f"/v1/timeline/{CELL}?day=2026-03-02", {}),
    ("GET", "/v1/shifts/bench/line-1?day=2026-03-02", {}),
    ("GET", "/v1/refused", {}),
    ("GET", "/v1/refused/counts", {}),
    ("POST", "/v1/refused/retry", {"json": {}}),
    ("POST", "/v1/reasons", {"json": GIVING}),
    ("POST", "/v1/reasons/1/undo", {"json": {"by": "shift-lead"}}),
    ("GET", f"/v1/reasons/{CELL}", {}),
    ("GET", f"/v1/questions/{CELL}?day=2026-03-02", {}),
    ("GET", "/v1/gaps", {}),
    ("GET", "/v1/discrepancies", {}),
    ("GET", "/v1/unmatched", {}),
    ("GET", "/v1/tables/spans?day=2026-03-02", {}),
]


@pytest.mark.parametrize(("method", "path", "options"), CALLS)
async def test_a_database_that_does_not_answer_is_a_problem_that_says_when_to_call_again(
    service: Service, method: str, path: str, options: dict[str, Any]
) -> None:
    away = _Away(errors.StoreUnavailable("the database does not answer"))
    app = create_app(replace(service, store=away, aside=away))
    problem(await _ask(app, method, path, **options), "store_unavailable")
    await service.store.close()


@pytest.mark.parametrize(("method", "path", "options"), CALLS)
async def test_a_failure_tells_nothing_of_what_is_inside(
    service: Service, caplog: pytest.LogCaptureFixture, method: str, path: str, options: dict[str, Any]
) -> None:
    failing = _Away(KeyError("secret-column"))
    app = create_app(replace(service, store=failing, aside=failing))
    answer = await _ask(app, method, path, **options)
    problem(answer, "internal")
    assert "secret" not in answer.text
    assert "KeyError" not in answer.text
    assert any(record.levelno == logging.ERROR and record.exc_info for record in caplog.records)
    await service.store.close()


async def test_messages_that_nobody_records_any_more_are_told_to_come_again(service: Service) -> None:
    app = create_app(service)
    async with app.router.lifespan_context(app):
        await _ask(app, "PUT", "/v1/plant", json=PLANT)
    answer = await asyncio.wait_for(_ask(app, "POST", "/v1/messages", json={"cell": CELL, "messages": []}), 10)
    problem(answer, "store_unavailable")
    await service.store.close()


async def test_a_body_that_ends_before_its_end_is_a_problem() -> None:
    """Asked without a server between: no client would see the answer, but the log must stay free of failures."""
    app, sent = build_api(), list[Any]()
    scope = {
        "type": "http",
        "method": "PUT",
        "path": "/v1/plant",
        "raw_path": b"/v1/plant",
        "query_string": b"",
        "headers": [(b"content-type", b"application/json")],
        "http_version": "1.1",
        "scheme": "http",
        "server": ("test", 80),
    }
    app.state.service = None

    async def receive() -> dict[str, str]:
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    await app(scope, receive, send)
    assert sent[0]["status"] == TABLE["body_invalid"][0]
