"""The stores that the suites run on: memory, SQLite and PostgreSQL, each empty at first."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from tests.contract.stores import KINDS, Stores
from tests.servers.fixtures import migrated_url
from zoneledger.application.ports import Store

DATABASES = KINDS[1:]


@pytest.fixture
async def stores() -> AsyncIterator[Stores]:
    """What opens stores for this test alone, and closes them after it."""
    stores = Stores()
    yield stores
    await stores.close()


def _url(kind: str, request: pytest.FixtureRequest, directory: Path) -> str:
    """Return where a store of a kind is; PostgreSQL is asked for only where it is meant."""
    if kind == "postgresql":
        url: str = request.getfixturevalue("postgres_url")
        return url
    return f"sqlite:///{directory / 'contract.db'}"


@pytest.fixture(params=KINDS)
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty store may be, one kind after the other."""
    return "memory" if request.param == "memory" else migrated_url(request.param, request, tmp_path)


@pytest.fixture
async def store(store_url: str, stores: Stores) -> Store:
    """An empty store, one kind after the other."""
    return await stores.open(store_url)


@pytest.fixture(params=DATABASES)
def sql_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database without a schema, on SQLite and on PostgreSQL."""
    return _url(request.param, request, tmp_path)


@pytest.fixture(params=DATABASES)
def ready_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database with this program's schema and no rows, on SQLite and on PostgreSQL."""
    return migrated_url(request.param, request, tmp_path)


@pytest.fixture
def three_urls(request: pytest.FixtureRequest, tmp_path: Path) -> list[str]:
    """Where an empty store of each kind may be."""
    return ["memory", *(migrated_url(kind, request, tmp_path) for kind in DATABASES)]


@pytest.fixture
async def three_stores(three_urls: list[str], stores: Stores) -> dict[str, Store]:
    """An empty store of each kind, by its URL."""
    return {url: await stores.open(url) for url in three_urls}
