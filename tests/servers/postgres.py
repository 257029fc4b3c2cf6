"""A real, throw-away PostgreSQL cluster on a free port, with a new database for whoever asks."""

import asyncio
import itertools
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import asyncpg

from tests.servers.programs import bytes_of, find_program, free_port, give_away, other_user, wait_until

SUPERUSER = "zoneledger"
_END_OTHERS = """
SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()
"""
_EMPTY = """
DO $$ BEGIN
  EXECUTE (SELECT 'TRUNCATE ' || string_agg(quote_ident(tablename), ', ') || ' RESTART IDENTITY'
    FROM pg_tables WHERE schemaname = 'public' AND tablename <> 'alembic_version');
END $$
"""
#: The schema's version, and a digest of all columns and indexes.
_SHAPE = """
SELECT (SELECT string_agg(version_num, ' ') FROM alembic_version)
  || md5(string_agg(concat_ws(' ', relname, relkind, attname, atttypid, attnotnull), ',' ORDER BY relname, attnum))
FROM pg_class JOIN pg_attribute ON attrelid = pg_class.oid AND attnum > 0 AND NOT attisdropped
WHERE relnamespace = 'public'::regnamespace
"""
_SETTINGS = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    "shared_buffers": "64MB",
    "max_connections": "60",
    "max_wal_size": "512MB",
    "log_min_messages": "warning",
}


def _folders() -> list[Path]:
    """Return where Debian and others keep the server's programs, the newest version first."""
    found = Path("/usr/lib/postgresql").glob("*/bin")
    return sorted(found, key=lambda path: int("0" + "".join(filter(str.isdigit, path.parts[-2]))), reverse=True)


def postgres_program(name: str) -> Path:
    """Return a program that comes with PostgreSQL; raise ProgramMissing."""
    return find_program(name, _folders())


def _lives(number: int) -> bool:
    """Tell whether a process is there and has not ended."""
    try:
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


class Postgres:
    """One cluster; `fsync=True` keeps its promises through a kill, the default is faster and keeps them all the same
    unless the machine itself fails. It lies `within` a folder, if one is given."""

    def __init__(self, *, fsync: bool = False, within: Path | None = None) -> None:
        self._initdb = postgres_program("initdb")
        self._server = postgres_program("postgres")
        self._as_user = other_user("postgres")
        self._fsync = "on" if fsync else "off"
        self._process: subprocess.Popen[bytes] | None = None
        self._numbers = itertools.count(1)
        self._shapes: dict[str, str | None] = {}
        self._directory = Path(tempfile.mkdtemp(prefix="zoneledger-postgres-", dir=within))
        self.port = free_port()
        give_away(self._directory, self._as_user)
        self._initialise()

    def url(self, database: str = "postgres") -> str:
        """The URL of a database as the service takes it."""
        return f"postgresql://{SUPERUSER}@127.0.0.1:{self.port}/{database}"

    def start(self) -> None:
        """Start it and wait until it answers a query; after `kill` its old processes may have to end first."""
        wait_until(self._starts, f"postgres on port {self.port}", 60)

    def stop(self) -> None:
        """End it as an operator would, without waiting for its clients."""
        self._end(signal.SIGINT)

    def kill(self) -> None:
        """End it as a crash would, and wait until those that serve its connections have noticed."""
        serving = self.processes()[1:]
        self._end(signal.SIGKILL)
        wait_until(lambda: not any(map(_lives, serving)), "PostgreSQL's other processes end")

    def close(self) -> None:
        """End it and remove the cluster."""
        self.stop()
        shutil.rmtree(self._directory, ignore_errors=True)

    @property
    def data(self) -> Path:
        """Where its files are; the folder around it is its own, too."""
        return self._directory / "data"

    @property
    def as_user(self) -> dict[str, Any]:
        """What makes a child process that of the account that its files belong to."""
        return self._as_user

    def lose(self) -> None:
        """Lose the cluster, as with its disk: it is killed, and its files are gone."""
        self.kill()
        shutil.rmtree(self.data)

    def make_anew(self) -> None:
        """Put an empty cluster in the place of one that was lost."""
        self._initialise()

    def processes(self) -> list[int]:
        """Return the numbers of its processes, the first one's first."""
        assert self._process is not None
        first = self._process.pid
        return [first, *map(int, Path(f"/proc/{first}/task/{first}/children").read_text().split())]

    def write_ahead_log(self) -> int:
        """Return how many bytes its write-ahead log has on disk."""
        return bytes_of((self._directory / "data" / "pg_wal").iterdir())

    def create_database(self, template: str = "template1") -> str:
        """Create a database, empty or as its template is; return its name."""
        name = f"test_{next(self._numbers)}"
        self.run_sql(f"CREATE DATABASE {name} TEMPLATE {template}")
        return name

    def drop_database(self, name: str) -> None:
        """Drop a database, whoever is still connected to it."""
        self.run_sql(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def empty_database(self, name: str, template: str) -> bool:
        """End all its connections and take all rows out of a database; return whether it is now as its template is.

        This takes a tenth of the time of a new copy. Numbers begin anew, too.
        """

        if template not in self._shapes:
            self._shapes[template] = asyncio.run(self._shape(template))
        return asyncio.run(self._shape(name, _END_OTHERS, _EMPTY)) == self._shapes[template]

    def log(self) -> str:
        """Return what it logged so far."""
        return (self._directory / "log").read_text(errors="replace")

    def _initialise(self) -> None:
        options = ["--auth=trust", "--no-sync", "--encoding=UTF8", "--locale=C", f"--username={SUPERUSER}"]
        command = [str(self._initdb), "-D", str(self._directory / "data"), *options]
        subprocess.run(command, check=True, capture_output=True, cwd=self._directory, **self._as_user)

    def _starts(self) -> bool:
        if self._process is None or self._process.poll() is not None:
            settings = {**_SETTINGS, "port": str(self.port), "fsync": self._fsync}
            if self._fsync == "off":
                # Tests share it: statistics that are taken in the middle of one would change its plans by chance.
                settings["autovacuum_naptime"] = "1h"
            options = [word for name, value in settings.items() for word in ("-c", f"{name}={value}")]
            command = [str(self._server), "-D", str(self._directory / "data"), *options]
            with (self._directory / "log").open("ab") as log:
                self._process = subprocess.Popen(
                    command, stdout=log, stderr=log, cwd=self._directory, start_new_session=True, **self._as_user
                )
        try:
            self.run_sql("SELECT 1")
        except (OSError, asyncpg.PostgresError):
            return False
        return True

    def _end(self, with_signal: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(with_signal)
        self._process.wait(timeout=30)
        self._process = None

    async def _shape(self, name: str, *before: str) -> str | None:
        """Return the shape of a database after some statements, None where there is none that we know."""
        connection = await asyncpg.connect(self.url(name), timeout=5)
        try:
            for statement in before:
                await connection.execute(statement)
            shape: str | None = await connection.fetchval(_SHAPE)
            return shape
        except asyncpg.PostgresError:
            return None
        finally:
            await connection.close()

    def run_sql(self, statement: str) -> None:
        """Run a statement as the superuser; raises OSError or asyncpg.PostgresError."""

        async def run() -> None:
            connection = await asyncpg.connect(self.url(), timeout=5)
            try:
                await connection.execute(statement)
            finally:
                await connection.close()

        asyncio.run(run())
