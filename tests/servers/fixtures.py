"""Fixtures that lend tests real servers; registered as a plugin in tests/conftest.py."""

import asyncio
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import ProgramMissing, ServerT, running
from zoneledger.storage.schema import migrate

#: With this set to 1 a missing program fails the test instead of skipping it.
REQUIRE = "ZONELEDGER_REQUIRE_SERVERS"


@contextmanager
def programs() -> Iterator[None]:
    """Skip where a program is missing, or fail where servers are required."""
    try:
        yield
    except ProgramMissing as missing:
        if os.environ.get(REQUIRE) == "1":
            pytest.fail(str(missing), pytrace=False)
        pytest.skip(str(missing))


def lend(make: Callable[[], ServerT]) -> Iterator[ServerT]:
    """Start a server and lend it until the end; skip where its program is missing, or fail where servers are required."""
    with programs():
        server = make()
    with running(server):
        yield server


@pytest.fixture(scope="session")
def mosquitto() -> Iterator[Mosquitto]:
    """A broker that all tests share: each uses a topic root and client ids of its own and never ends it."""
    yield from lend(Mosquitto)


@pytest.fixture
def own_mosquitto() -> Iterator[Mosquitto]:
    """A broker for this test alone, to stop and kill."""
    yield from lend(Mosquitto)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A PostgreSQL cluster that all tests share, and never end."""
    yield from lend(Postgres)


@pytest.fixture
def own_postgres() -> Iterator[Postgres]:
    """A PostgreSQL cluster for this test alone, to stop and kill; it syncs its writes."""
    yield from lend(lambda: Postgres(fsync=True))


@pytest.fixture
def postgres_url(postgres: Postgres) -> Iterator[str]:
    """The URL of an empty database for this test alone."""
    name = postgres.create_database()
    yield postgres.url(name)
    postgres.drop_database(name)


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of SQLite with this program's schema and no rows, to be copied."""
    path = tmp_path_factory.mktemp("template") / "zoneledger.db"
    asyncio.run(migrate(f"sqlite:///{path}"))
    return path


@pytest.fixture(scope="session")
def postgres_template(postgres: Postgres) -> str:
    """The name of a database of PostgreSQL with this program's schema and no rows, to be copied."""
    name = postgres.create_database()
    asyncio.run(migrate(postgres.url(name)))
    return name


@pytest.fixture(scope="session")
def spare_databases() -> list[str]:
    """The names of databases with this program's schema that were lent before, and emptied."""
    return []


@pytest.fixture
def migrated_postgres_url(postgres: Postgres, postgres_template: str, spare_databases: list[str]) -> Iterator[str]:
    """The URL of a database for this test alone, with this program's schema and no rows."""
    name = spare_databases.pop() if spare_databases else postgres.create_database(postgres_template)
    yield postgres.url(name)
    if postgres.empty_database(name, postgres_template):
        spare_databases.append(name)
    else:
        postgres.drop_database(name)


def migrated_url(kind: str, request: pytest.FixtureRequest, directory: Path) -> str:
    """Return the URL of a database with this program's schema and no rows; PostgreSQL is asked for only where it is meant."""
    if kind == "postgresql":
        url: str = request.getfixturevalue("migrated_postgres_url")
        return url
    path = directory / "zoneledger.db"
    shutil.copyfile(request.getfixturevalue("sqlite_template"), path)
    return f"sqlite:///{path}"


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database without rows for this test alone, once on SQLite and once on PostgreSQL."""
    return migrated_url(request.param, request, tmp_path)


@pytest.fixture(params=["sqlite", "postgresql"])
def bare_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a database without a schema for this test alone, once on SQLite and once on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'zoneledger.db'}"
    url: str = request.getfixturevalue("postgres_url")
    return url
