"""What befalls a database: another one locks it, its disk is full, its system calls are slow or fail."""

import asyncio
import re
import shutil
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import asyncpg
import httpx
import pytest

from tests.faults.bench import Bench
from tests.servers.postgres import Postgres
from tests.servers.programs import wait_until

#: What strace says of each process that it was told to trace: some may have ended meanwhile.
_TRIED = re.compile("attached|No such process")


def its_postgres(bench: Bench) -> Postgres:
    """Return the row's own PostgreSQL."""
    assert bench.postgres is not None
    return bench.postgres


def until_ready(bench: Bench) -> None:
    """Wait until the service is ready again: nobody starts it anew."""
    bench.wait_until(lambda: bench.service.is_well("ready"), "the service is ready again by itself")


def assert_takes_nothing_in(bench: Bench, *, reads: bool | None) -> None:
    """Wait until the service is not ready: who sends is told why, and to come again.

    Who reads is answered (`reads`), or told the same (not `reads`), or either (None: from what the database still has in memory).
    """
    bench.wait_until(lambda: not bench.service.is_well("ready"), "the service says that it is not ready")
    assert bench.service.is_well("live")
    body = {
        "cell": bench.sent.scenario.path(bench.sent.scenario.cells[0].cell),
        "messages": [{"note": "x" * 200}] * 900,
    }
    _assert_says_why(httpx.post(f"{bench.service.url}/v1/messages", json=body, timeout=60))
    read = httpx.get(f"{bench.service.url}/v1/units", timeout=60)
    if reads or (reads is None and read.status_code == 200):
        assert read.status_code == 200, read.text
    else:
        _assert_says_why(read)


def _assert_says_why(answer: httpx.Response) -> None:
    assert answer.status_code == 503, answer.text
    assert answer.json()["code"] == "store_unavailable"
    assert answer.json()["detail"].startswith("the database does not answer"), answer.text
    assert int(answer.headers["retry-after"]) > 0


def path_of(url: str) -> Path:
    """Return the file of an SQLite database."""
    return Path(url.removeprefix("sqlite:///"))


@contextmanager
def held(url: str, statement: str) -> Iterator[None]:
    """Hold what a statement locks, in a transaction of somebody else's, until the end of the context."""
    if url.startswith("sqlite"):
        connection = sqlite3.connect(path_of(url), isolation_level=None, timeout=30)
        try:
            connection.execute(statement)
            yield
        finally:
            connection.close()
        return
    with asyncio.Runner() as runner:
        opened = runner.run(asyncpg.connect(url))
        try:
            runner.run(opened.execute(f"BEGIN; {statement}"))
            yield
        finally:
            runner.run(opened.close())


class SmallDisk:
    """A disk of so many MiB at `path` for as long as the row lasts; skips the row where none can be mounted."""

    def __init__(self, bench: Bench, mebibytes: int) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="zoneledger-disk-"))
        bench.stack.callback(self.path.rmdir)
        program = shutil.which("mount") or pytest.skip("there is no program to mount a small disk with")
        options = f"size={mebibytes}m,mode=755"
        done = subprocess.run(
            [program, "-t", "tmpfs", "-o", options, "tmpfs", self.path], capture_output=True, text=True
        )
        if done.returncode:
            pytest.skip(f"a small disk cannot be mounted here: {done.stderr.strip()}")
        bench.stack.callback(lambda: subprocess.run(["umount", "--lazy", self.path], check=True))

    def fill(self) -> None:
        """Leave no room on it."""
        with (self.path / "ballast").open("ab", buffering=0) as ballast:
            try:
                while True:
                    ballast.write(bytes(65_536))
            except OSError:
                pass

    def make_room(self) -> None:
        """Take the ballast away."""
        (self.path / "ballast").unlink()


@contextmanager
def tampered(bench: Bench, pids: Sequence[int], how: str, *, only: Sequence[Path] = ()) -> Iterator[None]:
    """Let system calls of running processes and of their children go as `how` says (strace's `inject`) until the end.

    With `only`, these files' calls only. Skips the row where strace is missing or may not do it; asserts that some went so.
    """
    program = shutil.which("strace") or pytest.skip("strace is not installed: apt-get install -y strace")
    trace, said = bench.directory / "trace", bench.directory / "strace"
    asked = ["-f", "-o", str(trace), "-e", f"trace={how.partition(':')[0]}", "-e", f"inject={how}"]
    asked += [word for path in only for word in ("-P", str(path))]
    asked += [word for pid in pids for word in ("-p", str(pid))]
    with said.open("wb") as stream:
        process = subprocess.Popen([program, *asked], stderr=stream)
    try:
        wait_until(lambda: process.poll() is not None or len(_TRIED.findall(said.read_text())) >= len(pids), "strace")
        if process.poll() is not None:
            pytest.skip(f"strace may not trace here: {said.read_text().strip()}")
        yield
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
    changed = [line for line in trace.read_text().splitlines() if line.endswith(("(INJECTED)", "(DELAYED)"))]
    assert changed, trace.read_text()[-2000:]
