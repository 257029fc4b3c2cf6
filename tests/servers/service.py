"""The service itself as a process of its own, to be asked, ended and killed."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Collection
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self

import httpx

from tests.servers.programs import free_port, wait_until


class Running(Protocol):
    """A process that was started, as `subprocess.Popen` has it."""

    pid: int

    def poll(self) -> int | None: ...
    def wait(self, timeout: float | None = None) -> int: ...
    def terminate(self) -> None: ...
    def kill(self) -> None: ...


class ServiceProcess:
    """`zoneledger serve` with its flags, and `settings` of its environment; what it stored outlives `kill`, and `start` goes on."""

    def __init__(self, *flags: str, settings: dict[str, str] | None = None) -> None:
        self.port = free_port()
        self._settings = settings or {}
        self._flags = [*flags, "--host", "127.0.0.1", "--port", str(self.port)]
        self._process: Running | None = None
        self._log = Path(tempfile.mkdtemp(prefix="zoneledger-service-")) / "log"

    @property
    def url(self) -> str:
        """The address of its API."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        """The number of its process."""
        assert self._process is not None
        return self._process.pid

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self, until: str = "ready") -> None:
        """Start it, and wait until it is `ready`, or only `live`: behind a long backlog it is ready late."""
        self._process = self._launch(["serve", *self._flags])
        wait_until(lambda: self.is_well(until), f"the service on port {self.port}", 60)

    def _launch(self, arguments: list[str]) -> Running:
        with self._log.open("ab") as log:
            environment = {name: value for name, value in os.environ.items() if not name.startswith("ZONELEDGER_")}
            command = [sys.executable, "-m", "zoneledger_cli", *arguments]
            return subprocess.Popen(command, stdout=log, stderr=log, env=environment | self._settings)

    def is_well(self, what: str) -> bool:
        """Tell whether it says that it is `ready`, or `live`."""
        if self._process is not None and self._process.poll() is not None:
            raise RuntimeError(f"the service ended:\n{self.log()[-4000:]}")
        try:
            return httpx.get(f"{self.url}/health/{what}", timeout=5).status_code == 200
        except httpx.TransportError:
            return False

    def get(self, path: str, **query: Any) -> Any:
        """Return the JSON that a path answers."""
        answer = httpx.get(f"{self.url}{path}", params=query, timeout=60)
        answer.raise_for_status()
        return answer.json()

    def received(self, name: str = "events", cells: Collection[str] | None = None) -> int:
        """Return how many events, or what else it counts, it has stored of all cells or of some."""
        lines = [line for site in self.get("/v1/units")["sites"] for line in site["lines"]]
        told = [cell for line in lines for cell in line["cells"]]
        return sum(int(cell["received"][name]) for cell in told if cells is None or cell["unit"] in cells)

    def kill(self) -> None:
        """End it as a crash would."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(timeout=20)

    def stop(self) -> None:
        """End it as an operator would."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(timeout=20)
                raise

    def log(self) -> str:
        """Return what it logged so far."""
        return self._log.read_text(errors="replace")
