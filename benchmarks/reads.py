"""Reads of a service again and again, how many failed, and how many a second one and two services answer."""

import asyncio
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import asyncpg
import httpx

from benchmarks.latency import percentiles
from benchmarks.load import load
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger.core.figures import HOUR_US

PAUSE_S = 0.02
CLIENTS = 32
#: Two days have so many slots at least that are settled.
SLOTS = 5


@dataclass
class Reads:
    """How long reads took, and why some failed."""

    took: list[float] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)

    def told(self) -> dict[str, Any]:
        """Return percentiles, how many failed, and why the first of them did."""
        return percentiles(self.took) | {"failed": len(self.failed), "why": self.failed[:3]}


async def keep_reading(url: str, paths: Sequence[str], reads: Reads) -> None:
    """Ask for paths in turn, one after the other, until cancelled."""
    async with httpx.AsyncClient(base_url=url, timeout=10) as client:
        while True:
            for path in paths:
                began_s = time.perf_counter()
                try:
                    answer = await client.get(path)
                except httpx.TransportError as error:
                    reads.failed.append(f"{path}: {error!r}")
                else:
                    if answer.status_code == 200:
                        reads.took.append(time.perf_counter() - began_s)
                    else:
                        reads.failed.append(f"{path}: {answer.status_code}: {answer.text[:200]}")
                await asyncio.sleep(PAUSE_S)


def _anew(cells: Sequence[str], until_us: int) -> list[str]:
    """Return requests for some eight hours of cells, each for another window, so that each is summed off the ledger."""
    first_us, last_us = until_us - 24 * HOUR_US, until_us - 16 * HOUR_US
    return [
        f"/v1/kpi/{cells[index % len(cells)]}?start={rfc3339(first_us)}&end={rfc3339(last_us + index * 1000)}"
        for index in range(20_000)
    ]


def _again(cells: Sequence[str], until_us: int) -> list[str]:
    """Return requests for two shifts of yesterday, which are over and summed beforehand, again and again."""
    day = rfc3339(until_us - 24 * HOUR_US)[:10]
    return [f"/v1/kpi/{cell}?shift={day}/{shift}" for cell in cells for shift in ("early", "late")]


async def _ask(services: Sequence[ServiceProcess], paths: list[str], for_s: float) -> tuple[float, float]:
    """Let so many clients in all ask the services, each its share; return answers a second, and the p99 in ms."""
    share = CLIENTS // len(services)
    loads = await asyncio.gather(
        *(load(one.port, paths[index:] + paths[:index], share, for_s) for index, one in enumerate(services))
    )
    return sum(one.per_second for one in loads), max(one.p99_ms for one in loads)


async def _presums(database: str) -> int:
    connection = await asyncpg.connect(database)
    found: int = await connection.fetchval("SELECT count(*) FROM presums")
    await connection.close()
    return found


def compare(database: str, cells: Sequence[str], for_s: float, rounds: int) -> list[dict[str, Any]]:
    """Return what one service answers, and two, in turn; the ledger has the last two days, summed beforehand once this begins."""
    found = []
    with ServiceProcess("--database", database) as first, ServiceProcess("--database", database) as second:
        wait_until(lambda: asyncio.run(_presums(database)) >= SLOTS * len(cells), "shifts are summed beforehand", 120)
        for kind, paths in (("anew", _anew(cells, now_us())), ("again", _again(cells, now_us()))):
            for _ in range(rounds):
                for services in ([first], [first, second]):
                    per_s, p99_ms = asyncio.run(_ask(services, paths, for_s))
                    told = {"asked": kind, "services": len(services)}
                    found.append(told | {"per_s": round(per_s, 1), "p99_ms": round(p99_ms, 1)})
    return found
