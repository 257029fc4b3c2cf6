"""The application with authentication on, and callers of every kind."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.plant import NOW_US
from zoneledger.application.keys import bearer_of_key, create_key
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.callers import Scope

MakeKey = Callable[..., Awaitable[str]]
Asking = Callable[..., httpx.AsyncClient]


@pytest.fixture
async def service(database_url: str) -> Service:
    """The service on an empty database, which asks everybody who they are; its clock stands at 18:00."""
    return build_service(database_url, clock=lambda: NOW_US, authenticate=True)


@pytest.fixture
def make_key(service: Service) -> MakeKey:
    """Make a key with scopes, for some units or all, and return what is to be sent."""

    async def make(*scopes: str, units: tuple[str, ...] = (), name: str = "somebody") -> str:
        bearer = bearer_of_key(name, [Scope(scope) for scope in scopes], units)
        _, key = await create_key(service.store, bearer, 30, NOW_US, "a test", "here")
        return key

    return make


@pytest.fixture
async def asking(app: FastAPI) -> AsyncIterator[Asking]:
    """Return a client of the application with a key, or without one, from an address of its own if need be."""
    async with AsyncExitStack() as stack:

        def client(key: str | None = None, address: str = "192.0.2.1", **headers: str) -> httpx.AsyncClient:
            transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 4711))
            if key is not None:
                headers["authorization"] = f"Bearer {key}"
            made = httpx.AsyncClient(transport=transport, base_url="http://test", headers=headers)
            stack.push_async_callback(made.aclose)
            return made

        yield client


@pytest.fixture
async def admin(make_key: MakeKey) -> str:
    """A key that may do everything."""
    return await make_key("admin", name="admin")


@pytest.fixture
async def api(asking: Asking, admin: str) -> httpx.AsyncClient:
    """A client of the application that may do everything: what other fixtures ask by."""
    return asking(admin)
