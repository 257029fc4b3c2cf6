"""Whom a proxy passes a request on for is believed of the proxy that is named, and of nobody else."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import pytest

from tests.integration.mqtt.parts import until
from tests.servers.programs import free_port
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service
from zoneledger.settings import Settings
from zoneledger_cli.listening import server_of
from zoneledger_cli.serving import door_of

CLIENT = "203.0.113.7"


@asynccontextmanager
async def _serving(service: Service, proxy: str | None) -> AsyncIterator[str]:
    settings = Settings(authenticate=True, proxy=proxy)
    app, port = create_app(service, door=door_of(service, settings)), free_port()
    server = server_of(app, "127.0.0.1", port, "warning", settings.proxies)
    task = asyncio.create_task(server.serve())
    try:
        await until(lambda: server.started or task.done(), "the HTTP server")
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        await asyncio.wait_for(task, 20)


async def _address_seen(service: Service, proxy: str | None, **headers: str) -> str:
    """Return from which address the audit log has a wrong key."""
    async with _serving(service, proxy) as address, httpx.AsyncClient(base_url=address) as client:
        sent = {"authorization": "Bearer wrong", **{name.replace("_", "-"): value for name, value in headers.items()}}
        assert (await client.get("/v1/units", headers=sent)).status_code == 401
        await service.callers._log.write()
        async with service.store.reading() as reading:
            (found,) = [row for _, row in await reading.audit(0, 10) if row.what == "refused"]
        return found.address


@pytest.mark.parametrize(
    ("proxy", "forwarded", "seen"),
    [
        (None, CLIENT, "127.0.0.1"),
        ("192.0.2.1", CLIENT, "127.0.0.1"),
        ("127.0.0.1", CLIENT, CLIENT),
        ("127.0.0.0/8, ::1", CLIENT, CLIENT),
        ("127.0.0.1", f"198.51.100.1, {CLIENT}", CLIENT),
        ("127.0.0.1", f"127.0.0.1, {CLIENT}", CLIENT),
    ],
)
async def test_only_the_proxy_that_is_named_says_who_asks(
    service: Service, proxy: str | None, forwarded: str, seen: str
) -> None:
    assert await _address_seen(service, proxy, x_forwarded_for=forwarded) == seen


async def test_no_other_header_says_who_asks(service: Service) -> None:
    others = {"forwarded": f"for={CLIENT}", "x_real_ip": CLIENT, "x_client_ip": CLIENT}
    assert await _address_seen(service, "127.0.0.1", **others) == "127.0.0.1"


async def test_nobody_gets_out_of_being_slowed_by_saying_to_be_somebody_else(service: Service) -> None:
    async with _serving(service, None) as address, httpx.AsyncClient(base_url=address) as client:
        answers = [
            await client.get(
                "/v1/units", headers={"authorization": "Bearer wrong", "x-forwarded-for": f"203.0.113.{n}"}
            )
            for n in range(30)
        ]
    assert {answer.status_code for answer in answers[-5:]} == {429}


@pytest.mark.parametrize(
    ("host", "proxy", "local", "proxied"),
    [
        ("127.0.0.1", None, True, False),
        ("localhost", None, True, False),
        ("::1", None, True, False),
        ("0.0.0.0", None, False, False),
        ("127.0.0.1", "127.0.0.1", False, True),
        ("0.0.0.0", "10.0.0.0/8", False, True),
    ],
)
def test_the_door_knows_how_requests_come(
    service: Service, host: str, proxy: str | None, local: bool, proxied: bool
) -> None:
    door = door_of(service, Settings(host=host, proxy=proxy, authenticate=True))
    assert (door.is_local, door.is_proxied) == (local, proxied)
