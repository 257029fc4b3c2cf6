"""Starts the service in a tenth of a second: a parent that has imported everything forks each one, to be killed as it likes."""

import multiprocessing
import os
import signal
import sys
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from tests.faults import failing
from tests.servers.programs import accepts_connections, wait_until
from tests.servers.service import Running, ServiceProcess
from zoneledger_cli import main

#: What the parent imports, beside what these import: drivers that SQLAlchemy would load at the first connection.
PRELOADED = [
    "tests.faults.launching",
    "tests.faults.sending",
    "aiosqlite",
    "asyncpg",
    "uvicorn.loops.auto",
    "uvicorn.lifespan.on",
]
_forking = multiprocessing.get_context("forkserver")
_forking.set_forkserver_preload(PRELOADED)


def _become(arguments: list[str], environment: dict[str, str], log: str) -> None:
    """Be the command from here on, as a process of its own with its own log."""
    stream = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    os.dup2(stream, 1)
    os.dup2(stream, 2)
    for name in [name for name in os.environ if name.startswith("ZONELEDGER_")]:
        del os.environ[name]
    os.environ.update(environment)
    failing.install(environment)
    sys.argv = ["zoneledger", *arguments]
    main.app()


class Forked:
    """A forked process, with the methods of `subprocess.Popen`."""

    def __init__(self, process: ForkServerProcess) -> None:
        self._process = process
        process.start()
        assert process.pid is not None
        self.pid = process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise TimeoutError(f"process {self.pid} has not ended within {timeout} s")
        return self._process.exitcode

    def terminate(self) -> None:
        self._process.terminate()

    def kill(self) -> None:
        self._process.kill()


def fork_command(arguments: list[str], environment: dict[str, str], log: Path) -> Forked:
    """Run `zoneledger` with these arguments, a failpoint perhaps in its environment."""
    return Forked(_forking.Process(target=_become, args=(arguments, environment, str(log))))


class ForkedService(ServiceProcess):
    """The service as it is, forked: for tests that each need one of their own, or start it again and again."""

    def _launch(self, arguments: list[str]) -> Running:
        return fork_command(arguments, dict(self._settings), self._log)


class FailingService(ForkedService):
    """The service, forked; `environment` holds settings of its own, and a failpoint: without one it is the product as it is."""

    def __init__(self, *flags: str, environment: dict[str, str] | None = None) -> None:
        super().__init__(*flags, settings=environment)
        self.environment = self._settings

    def fail_at(self, point: str, action: str, chance: float, seed: int) -> None:
        """Ask for a failpoint from the next start on."""
        self.environment[failing.FAILPOINT] = f"{point}:{action}:{chance}:{seed}"

    def fail_no_more(self) -> None:
        """Start without a failpoint from now on."""
        self.environment.pop(failing.FAILPOINT, None)

    def start_dying(self) -> None:
        """Start it and wait until it listens or is dead."""
        self._process = self._launch(["serve", *self._flags])
        wait_until(lambda: self.died or accepts_connections(self.port), f"the service on port {self.port}", 60)

    def wait_for_death(self, longest_s: float) -> bool:
        """Wait until a failpoint has killed it; False if it still lives after this long. Raises where it ended otherwise."""
        assert self._process is not None
        try:
            status = self._process.wait(longest_s)
        except TimeoutError:
            return False
        if status != -signal.SIGKILL:
            raise RuntimeError(f"the service ended with {status}:\n{self.log()[-4000:]}")
        return True

    @property
    def died(self) -> bool:
        """Whether it has ended."""
        return self._process is not None and self._process.poll() is not None
