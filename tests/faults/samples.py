"""What a serving process holds as time goes by: memory, objects, open files, tasks, written to a file every few seconds."""

import asyncio
import csv
import os
import sys
import time
from pathlib import Path

from zoneledger.settings import Settings
from zoneledger_cli import main

#: Names the file that samples are appended to.
SAMPLES = "ZONELEDGER_TEST_SAMPLES"
EVERY_S = 2.0
FIELDS = ("at_s", "pid", "rss_bytes", "blocks", "open_files", "tasks")


def _now() -> tuple[float, ...]:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    rss_bytes = pages * os.sysconf("SC_PAGE_SIZE")
    held = rss_bytes, sys.getallocatedblocks()
    return time.monotonic(), os.getpid(), *held, len(os.listdir("/proc/self/fd")), len(asyncio.all_tasks())


async def _sample(path: Path) -> None:
    while True:
        with path.open("a", newline="") as stream:
            csv.writer(stream).writerow(_now())
        await asyncio.sleep(EVERY_S)


def sample_into(path: Path) -> None:
    """Let `serve` append a line of FIELDS to a file every EVERY_S; a restarted process goes on in the same file."""
    names = vars(main)
    inner = names["serve_settings"]

    async def serve(settings: Settings) -> None:
        sampling = asyncio.create_task(_sample(path))
        try:
            await inner(settings)
        finally:
            sampling.cancel()

    names["serve_settings"] = serve
