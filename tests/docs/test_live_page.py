"""The program on the page about live streams runs as it stands there, and prints what changes."""

import asyncio
import json
import sys
from itertools import cycle
from pathlib import Path

import httpx

from tests.docs.pages import blocks, read, section
from tests.faults.launching import ForkedService
from tests.servers.one_cell import CELL, PLANT
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us

WRITTEN_URL = "http://127.0.0.1:8000"


def _program(url: str) -> str:
    [block] = [one for one in blocks(section(read("docs/rest-api.md"), "Live streams")) if one.words == ("python",)]
    assert block.text.count(WRITTEN_URL) == 1
    return block.text.replace(WRITTEN_URL, url)


def _post_snapshot(url: str, activity: str) -> None:
    at = rfc3339(now_us())
    zones = {"1": {"activity": activity}}
    message = {"v": 1, "boot": 1, "seq": 0, "at": at, "type": "snapshot", "zones": zones, "alarms": []}
    answer = httpx.post(f"{url}/v1/messages", json={"cell": CELL, "messages": [message]})
    assert answer.json()["stored"] == 1


async def _until_printed(output: asyncio.StreamReader, line: str) -> None:
    async with asyncio.timeout(30):
        while (printed := (await output.readline()).decode().strip()) != line:
            assert printed, "the program has ended"


async def _change(url: str) -> None:
    """Let the zone change again and again: nobody tells when the program has connected."""
    for activity in cycle(("process", "load")):
        await asyncio.to_thread(_post_snapshot, url, activity)
        await asyncio.sleep(0.05)


async def _until_told(url: str, output: asyncio.StreamReader) -> None:
    changing = asyncio.create_task(_change(url))
    try:
        await _until_printed(output, f"{CELL} changeover load")
    finally:
        changing.cancel()
        await asyncio.wait([changing])


async def test_the_program_on_the_page_prints_what_changes(tmp_path: Path) -> None:
    plant = tmp_path / "plant.json"
    plant.write_text(json.dumps(PLANT))
    service = ForkedService("--database", f"sqlite:///{tmp_path / 'live.db'}", "--plant", str(plant))
    await asyncio.to_thread(service.start)
    program = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _program(service.url), stdout=asyncio.subprocess.PIPE
    )
    assert program.stdout is not None
    try:
        await _until_told(service.url, program.stdout)
        await asyncio.to_thread(service.stop)
        await asyncio.to_thread(service.start)
        await _until_told(service.url, program.stdout)  # it has connected again by itself
    finally:
        program.kill()
        await program.wait()
        await asyncio.to_thread(service.stop)
