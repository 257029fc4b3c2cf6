"""A database that a former version wrote: this one tells the same of it, and takes it back to what it was."""

import gzip
import json
import subprocess
from pathlib import Path
from typing import Any

import httpx
import pytest
from sqlalchemy import Connection, MetaData, make_url, select

from tests.servers.postgres import Postgres, postgres_program
from tests.upgrading.former import differences
from tests.upgrading.keeping import KEPT
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.core.errors import SchemaMismatch
from zoneledger.storage.engines import open_engines, transaction
from zoneledger.storage.schema import migrate

FORMER = sorted(path.name.partition(".")[0] for path in KEPT.glob("*.sqlite.gz"))
KINDS = ("sqlite", "postgresql")


@pytest.fixture(params=[(schema, kind) for schema in FORMER for kind in KINDS], ids="-".join)
def former(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str, str]:
    """The schema, the kind and the URL of a database as a former version wrote it."""
    schema, kind = request.param
    if kind == "sqlite":
        path = tmp_path / "zoneledger.db"
        path.write_bytes(gzip.decompress((KEPT / f"{schema}.sqlite.gz").read_bytes()))
        return schema, kind, f"sqlite:///{path}"
    postgres: Postgres = request.getfixturevalue("postgres")
    url: str = request.getfixturevalue("postgres_url")
    command = [str(postgres_program("psql")), "--quiet", "--set=ON_ERROR_STOP=1", f"--dbname={url}"]
    dump = gzip.decompress((KEPT / f"{schema}.sql.gz").read_bytes())
    subprocess.run(command, input=dump, check=True, capture_output=True)
    assert make_url(url).port == postgres.port
    return schema, kind, url


async def _contents(url: str) -> dict[str, list[Any]]:
    """Return all rows of all tables that there are."""

    def read(connection: Connection) -> dict[str, list[Any]]:
        found = MetaData()
        found.reflect(connection)
        tables = {name: table for name, table in found.tables.items() if name != "alembic_version"}
        return {
            name: sorted((tuple(row) for row in connection.execute(select(t))), key=repr) for name, t in tables.items()
        }

    engines = open_engines(url)
    try:
        async with transaction(engines.read) as connection:
            return await connection.run_sync(read)
    finally:
        await engines.dispose()


def test_a_former_version_is_kept() -> None:
    assert FORMER, "run: python -m tests.upgrading.keeping --former DIR"


async def test_this_version_tells_what_the_former_one_told(former: tuple[str, str, str]) -> None:
    schema, kind, url = former
    kept = json.loads(gzip.decompress((KEPT / f"{schema}.{kind}.json.gz").read_bytes()))
    await migrate(url)
    app = create_app(build_service(url))
    transport = httpx.ASGITransport(app)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=transport, base_url="http://test") as client,
    ):
        for one in kept:
            answer = await client.get(one["path"], params=one["query"])
            assert answer.status_code == 200, answer.text
            assert differences(one["answer"], answer.json()) == [], one["path"]
    assert len(kept) > 15


async def test_it_is_taken_back_to_what_it_was(former: tuple[str, str, str]) -> None:
    schema, _, url = former
    before = await _contents(url)
    await migrate(url)
    await migrate(url, schema)
    assert await _contents(url) == before
    assert len(before["events"]) > 1000


async def test_a_schema_that_there_is_not_is_refused_in_a_sentence(former: tuple[str, str, str]) -> None:
    schema, _, url = former
    with pytest.raises(SchemaMismatch, match=r"There is no schema 7: there are 0001 to \d{4}\."):
        await migrate(url, "7")
    await migrate(url, schema)
