"""The headers of every answer, with authentication and without: what browsers may do with it, and who may keep it."""

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.guarding.conftest import Asking
from tests.integration.api.plant import CELL, NOW_US
from tests.integration.api.server import served_here
from zoneledger.api.door import Door
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service

EXPECTED = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self'",
    "connect-src": "'self'",
    "base-uri": "'none'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
}
PATHS = ["/", f"/sheet/{CELL}", "/login", "/assets/sheet.css", "/v1/units", "/v1/nothing", "/metrics", "/openapi.json"]


def _check(answer: httpx.Response) -> None:
    for name, value in EXPECTED.items():
        assert answer.headers.get_list(name) == [value], (answer.url, name)
    (policy,) = answer.headers.get_list("content-security-policy")
    assert dict(rule.strip().split(" ", 1) for rule in policy.split(";")) == POLICY
    (permissions,) = answer.headers.get_list("permissions-policy")
    assert {"camera=()", "microphone=()", "geolocation=()"} <= set(permissions.split(", "))
    assert not [name for name in answer.headers if name.startswith("access-control-")]


async def test_every_answer_has_them(asking: Asking, admin: str) -> None:
    for client in (asking(), asking(admin), asking("wrong")):
        for path in PATHS:
            _check(await client.get(path))
            _check(await client.post(path, json={}))


async def test_a_failure_has_them(app: FastAPI, asking: Asking, admin: str, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(_: object, __: object) -> bytes:
        raise KeyError("secret")

    monkeypatch.setattr(app.state.units, "answer", fail)
    answer = await asking(admin).get("/v1/units")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    _check(answer)


async def test_who_may_keep_an_answer(told: httpx.AsyncClient, asking: Asking) -> None:
    settled = await told.get(f"/v1/kpi/{CELL}", params={"shift": "2026-03-02/early"})
    assert settled.headers["cache-control"] == "private, no-cache"
    again = await told.get(
        f"/v1/kpi/{CELL}", params={"shift": "2026-03-02/early"}, headers={"If-None-Match": settled.headers["etag"]}
    )
    assert (again.status_code, again.headers["cache-control"]) == (304, "private, no-cache")
    for path in ("/v1/units", "/v1/plant", "/v1/nothing", "/metrics"):
        assert (await told.get(path)).headers["cache-control"] == "no-store", path
    assert (await asking().get("/v1/units")).headers["cache-control"] == "no-store"


async def test_without_authentication_an_answer_is_kept_as_ever(database_url: str) -> None:
    service = build_service(database_url, clock=lambda: NOW_US)
    app = create_app(service)
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            assert (await client.get("/")).headers["cache-control"] == "no-cache"
            assert "cache-control" not in (await client.get("/v1/units")).headers
            _check(await client.get("/v1/units"))


@pytest.mark.parametrize("is_proxied", [True, False])
async def test_browsers_are_told_to_come_by_tls_only_where_a_proxy_does_it(
    app: FastAPI, service: Service, asking: Asking, is_proxied: bool
) -> None:
    app.state.door = Door(service.callers, is_local=False, is_proxied=is_proxied)
    told = (await asking().get("/login")).headers.get("strict-transport-security")
    assert told == ("max-age=31536000" if is_proxied else None)


async def test_no_answer_says_what_serves_it(database_url: str) -> None:
    service = build_service(database_url, clock=lambda: NOW_US, authenticate=True)
    async with served_here(create_app(service)) as address, httpx.AsyncClient(base_url=address) as client:
        for path in ("/health/live", "/v1/units", "/nothing"):
            answer = await client.get(path)
            assert "server" not in answer.headers
            assert "x-powered-by" not in answer.headers
            assert "uvicorn" not in str(answer.headers).lower()


@pytest.mark.parametrize("authenticate", [True, False])
async def test_a_page_of_another_origin_is_not_let_ask(database_url: str, authenticate: bool) -> None:
    service = build_service(database_url, clock=lambda: NOW_US, authenticate=authenticate)
    app = create_app(service)
    asked = {
        "origin": "https://other.example",
        "access-control-request-method": "PUT",
        "access-control-request-headers": "authorization",
    }
    async with app.router.lifespan_context(app):
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://test") as client:
            for path in ("/v1/plant", "/v1/units", "/v1/session"):
                answer = await client.options(path, headers=asked)
                assert answer.status_code == (401 if authenticate else 405)
                _check(answer)
            _check(await client.get("/v1/units", headers=asked))
            for body in ({"cell": CELL, "messages": []}, {}):
                sent = await client.post("/v1/messages", json=body, headers={"origin": "https://other.example"})
                assert sent.status_code == 403
