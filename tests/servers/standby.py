"""A physical standby of a PostgreSQL cluster, which follows its write-ahead log and can only be read."""

import subprocess

from tests.servers.postgres import SUPERUSER, Postgres, postgres_program


class Standby(Postgres):
    """A copy of a running cluster on a port of its own, with the same databases; it may outlive the first."""

    def __init__(self, first: Postgres, *, fsync: bool = False) -> None:
        self._first_port = first.port
        self._copy = postgres_program("pg_basebackup")
        super().__init__(fsync=fsync)

    def _initialise(self) -> None:
        first = ["--host=127.0.0.1", f"--port={self._first_port}", f"--username={SUPERUSER}", "--no-password"]
        how = ["--wal-method=stream", "--checkpoint=fast", "--write-recovery-conf", "--no-sync"]
        command = [str(self._copy), "-D", str(self._directory / "data"), *first, *how]
        subprocess.run(command, check=True, capture_output=True, cwd=self._directory, **self._as_user)
