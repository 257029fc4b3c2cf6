"""What all tests share: real servers on spare ports, and a collector that leaves the thousands of collected tests alone."""

import gc

pytest_plugins = ["tests.servers.fixtures"]


def pytest_collection_finish() -> None:
    """Never look through what was imported and collected again: it took a quarter of a worker's time."""
    gc.collect()
    gc.freeze()
