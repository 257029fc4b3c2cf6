"""A service that asks who is there, with the line of other tests, and keys for it."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx
from typer.testing import CliRunner

from tests.browser.scenes import LINE
from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger_cli.main import app
from zoneledger_cli.simulating import write_plant
from zoneledger_sim.demo import demo_scenario

CELL = f"{LINE}/cell-1"
SHEET = f"/sheet/{LINE}?shift=2026-03-02/early"
#: Every page, and one that there is not.
PAGES = {
    "lines": "/",
    "sheet": SHEET,
    "cell": f"/sheet/{CELL}?day=2026-03-02",
    "site": "/sheet/harbour?day=2026-03-02",
    "no-such-unit": "/sheet/harbour/wing-9",
    "commissioning": f"/commissioning/{CELL}",
}


class Guarded:
    """A service, and keys to it."""

    def __init__(self, service: ServiceProcess, database: str) -> None:
        self.service = service
        self._database = database

    def key(self, name: str, *flags: str) -> str:
        """Return a new key of this name."""
        command = ["key", "create", name, *flags, "--database", self._database]
        with ThreadPoolExecutor(1) as thread:  # the browser's event loop runs in this one
            made = thread.submit(CliRunner().invoke, app, command).result()
        assert made.exit_code == 0, made.output
        return made.stdout.strip()

    def ask(self, path: str, key: str) -> httpx.Response:
        """Return what the service answers to who has a key."""
        return httpx.get(f"{self.service.url}{path}", headers={"authorization": f"Bearer {key}"}, timeout=60)


@contextmanager
def guarded_line(folder: Path) -> Iterator[Guarded]:
    """Run a service with authentication, and a plant of which nothing is known yet."""
    plant, database = folder / "plant.json", f"sqlite:///{folder / 'guarded.db'}"
    write_plant(demo_scenario(cells=2, seed=7), plant)
    settings = {"ZONELEDGER_AUTHENTICATE": "true"}
    with ForkedService("--database", database, "--plant", str(plant), settings=settings) as service:
        yield Guarded(service, database)
