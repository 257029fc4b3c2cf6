"""A PostgreSQL on another machine: with `?ssl=verify-full` its certificate and its host are checked."""

import asyncio
import shutil
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.servers.postgres import Postgres
from tests.servers.programs import give_away
from zoneledger.clock import now_us
from zoneledger.settings import Settings
from zoneledger.storage.engines import open_engines
from zoneledger_cli.authority import Use, Wanted, instant
from zoneledger_cli.certificates import Folder, make


def _made(path: Path) -> Folder:
    folder = Folder(path)
    make(folder, {"database": Wanted("database", Use.BROKER, ("localhost",))}, instant(now_us()), 30, renew=False)
    return folder


@pytest.fixture
def encrypting(own_postgres: Postgres, tmp_path: Path) -> tuple[Postgres, Path]:
    """A cluster that speaks TLS, with a certificate for `localhost`, and its authority."""
    folder = _made(tmp_path / "certificates")
    for ending, name in (("pem", "server.crt"), ("key", "server.key")):
        shutil.copyfile(folder.file("database", ending), own_postgres.data / name)
        (own_postgres.data / name).chmod(0o600)
        give_away(own_postgres.data / name, own_postgres.as_user)
    own_postgres.run_sql("ALTER SYSTEM SET ssl = on")
    own_postgres.stop()
    own_postgres.start()
    return own_postgres, folder.file("ca", "pem")


async def _is_encrypted(url: str) -> bool:
    """Connect as the service does, and tell whether what is sent is encrypted."""
    engines = open_engines(Settings(database_url=url).database_url)
    try:
        async with engines.look.connect() as connection:
            question = text("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()")
            return bool((await connection.execute(question)).scalar())
    finally:
        await engines.dispose()
        # TLS ends with a word of both sides: the loop has to hear the server's, or leaves a socket open.
        await asyncio.sleep(1)


async def test_a_database_elsewhere_is_believed_by_its_certificate_only(
    encrypting: tuple[Postgres, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    postgres, authority = encrypting
    named = f"{postgres.url().replace('127.0.0.1', 'localhost')}?ssl=verify-full"
    monkeypatch.setenv("PGSSLROOTCERT", str(authority))
    assert await _is_encrypted(named)
    with pytest.raises(OSError, match="certificate verify failed"):
        await _is_encrypted(f"{postgres.url()}?ssl=verify-full")  # by an address that is not in it
    monkeypatch.setenv("PGSSLROOTCERT", str(_made(tmp_path / "others").file("ca", "pem")))
    with pytest.raises(OSError, match="certificate verify failed"):
        await _is_encrypted(named)
