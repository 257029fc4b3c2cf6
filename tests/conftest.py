"""What all tests share: real servers on spare ports, and a collector that leaves the thousands of collected tests alone."""

import gc
import os
from pathlib import Path

import pytest

from tests.servers.drawing import BOTH, left_out
from tests.servers.postgres import postgres_program
from tests.servers.programs import ProgramMissing

pytest_plugins = ["tests.servers.fixtures"]

#: httpx reads all authorities of the world for each client, 25 ms of a processor: here it reads one that has signed nothing.
os.environ["SSL_CERT_FILE"] = str(Path(__file__).parent / "servers" / "authority.pem")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is drawn not to run, unless both databases are wanted."""
    if os.environ.get(BOTH) == "1":
        return
    try:
        has_postgresql = bool(postgres_program("postgres"))
    except ProgramMissing:
        has_postgresql = False
    names = left_out((item.nodeid for item in items), has_postgresql=has_postgresql)
    config.hook.pytest_deselected(items=[item for item in items if item.nodeid in names])
    items[:] = [item for item in items if item.nodeid not in names]


def pytest_collection_finish() -> None:
    """Never look through what was imported and collected again: it took a quarter of a worker's time."""
    gc.collect()
    gc.freeze()
