"""Whom a request comes from is believed of a proxy that is named, and of nobody else."""

import asyncio

import httpx
import pytest
from fastapi import FastAPI, Request

from tests.integration.mqtt.parts import until
from tests.servers.programs import free_port
from zoneledger.api.streams import Streams
from zoneledger_cli.listening import server_of

#: What is passed on, and who it is then said to be from, by which way.
Claims = dict[str, str]
FORGED: Claims = {"x-forwarded-for": "198.51.100.9", "x-forwarded-proto": "https"}


async def _asked(proxies: list[str], headers: Claims) -> list[str]:
    """Return the address and scheme of a request as an application behind the service's server has them."""
    app = FastAPI()
    app.state.streams = Streams()

    @app.get("/")
    async def tell(request: Request) -> list[str]:
        return [request.client.host if request.client else "", request.url.scheme]

    port = free_port()
    server = server_of(app, "127.0.0.1", port, "warning", proxies)
    task = asyncio.create_task(server.serve())
    try:
        await until(lambda: server.started or task.done(), "the HTTP server")
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}") as client:
            found: list[str] = (await client.get("/", headers=headers)).json()
            return found
    finally:
        server.should_exit = True
        await asyncio.wait_for(task, 20)


@pytest.mark.parametrize("proxies", [[], ["10.0.0.7"], ["10.0.0.0/8", "fd00::/64"]])
async def test_who_is_no_proxy_is_not_believed(proxies: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORWARDED_ALLOW_IPS", "*")
    assert await _asked(proxies, FORGED) == ["127.0.0.1", "http"]


@pytest.mark.parametrize("proxies", [["127.0.0.1"], ["10.0.0.7", "127.0.0.0/8"]])
async def test_the_proxy_is_believed(proxies: list[str]) -> None:
    assert await _asked(proxies, FORGED) == ["198.51.100.9", "https"]


async def test_what_a_client_told_the_proxy_before_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    chained = {"x-forwarded-for": "203.0.113.1, 198.51.100.9"}
    assert await _asked(["127.0.0.1"], chained) == ["198.51.100.9", "http"]
