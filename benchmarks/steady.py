"""Cells that send at a steady rate over MQTT, and when each of their messages can be read from a database.

They send from a process of their own by a client that does as little as it can, so that it is not what ends first. A message is
due at a time that does not depend on those before it, and what takes long is counted from there on, wherever it waits.
"""

import asyncio
import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, NamedTuple

import asyncpg

from benchmarks.latency import first_message
from benchmarks.raw_drain import message
from benchmarks.raw_publisher import Publisher
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger_mqtt.topics import Topics

CONNECTIONS, TICK_S, LEAD_US = 4, 0.005, 500_000
#: How often it is looked what can be read: times are too long by up to this, never too short.
LOOK_S = 0.02
#: A message that nobody has read so long after the last was due is given up, and missing.
LONGEST_S = 120.0
_spawning = multiprocessing.get_context("spawn")


def paths_of(cells: int) -> list[str]:
    """Return the paths of so many cells in two lines, in turn."""
    return [f"bench/line-{number % 2}/cell-{number}" for number in range(cells)]


def plant_of(cells: int) -> dict[str, Any]:
    """Return the plant model of so many cells, which are planned around the clock."""
    standards = [{"operation": "fasten", "seconds": 3.75, "since": "2020-01-01"}]
    lines = [
        {
            "line": f"line-{line}",
            "standards": standards,
            "cells": [_declared(path) for path in paths_of(cells)[line::2]],
        }
        for line in range(2)
    ]
    return {"sites": [{"site": "bench", "timezone": "UTC", "lines": lines}]}


def _declared(path: str) -> dict[str, Any]:
    return {"cell": path.rpartition("/")[2], "zones": ["1", "2"]}


@dataclass(frozen=True)
class Steady:
    """So many messages a second for so long, of cells in turn; message `number`, from 0, is due `number / rate` after the begin."""

    cells: int
    rate: float
    seconds: float
    boot: int

    @property
    def messages(self) -> int:
        """How many there are, the first snapshots apart."""
        return round(self.rate * self.seconds)

    def due_us(self, number: int, begun_us: int) -> int:
        """Return when a message is due, which is its `at`."""
        return begun_us + round(number * 1e6 / self.rate)

    def message(self, number: int, begun_us: int) -> bytes:
        """Return a message: nine in ten are fasteners, the others begin activities."""
        return message(number // self.cells + 1, rfc3339(self.due_us(number, begun_us)), self.boot)


class Sent(NamedTuple):
    """What became of the sending: messages, those that the broker acknowledged, and how far it was behind at most."""

    messages: int
    acknowledged: int
    behind_s: float


async def _send(port: int, root: str, steady: Steady, said: Connection) -> None:
    topics = [Topics(root).events(path).encode() for path in paths_of(steady.cells)]
    publishers = [await Publisher.open(port, f"cells-{root}-{number}") for number in range(CONNECTIONS)]
    for number, topic in enumerate(topics):
        publishers[number % CONNECTIONS].publish(topic, _first(steady))
    await asyncio.gather(*(one.until_acknowledged() for one in publishers))
    begun_us, number, behind_us = now_us() + LEAD_US, 0, 0
    said.send(begun_us)
    while number < steady.messages:
        await asyncio.sleep(TICK_S)
        passed_us = now_us() - begun_us
        due = min(steady.messages, max(0, int(passed_us * steady.rate / 1e6)))
        if due > number:
            behind_us = max(behind_us, passed_us - round(number * 1e6 / steady.rate))
        while number < due:
            cell = number % steady.cells
            publishers[cell % CONNECTIONS].publish(topics[cell], steady.message(number, begun_us))
            number += 1
        await asyncio.gather(*(one.drain() for one in publishers))
    async with asyncio.timeout(LONGEST_S):
        await asyncio.gather(*(one.until_acknowledged() for one in publishers))
    acknowledged = sum(one.acknowledged for one in publishers) - steady.cells
    said.send(Sent(steady.messages, acknowledged, behind_us / 1e6))
    for one in publishers:
        await one.close()


def _first(steady: Steady) -> bytes:
    return first_message(now_us()).replace(b'"boot": 1', b'"boot": %d' % steady.boot)


def _run(port: int, root: str, steady: Steady, said: Connection) -> None:
    asyncio.run(_send(port, root, steady, said))


@contextmanager
def sending(port: int, root: str, steady: Steady) -> Iterator[Connection]:
    """Send from a process of its own; it says when it begins, in microseconds of the clock, and at its end what it `Sent`."""
    ours, theirs = _spawning.Pipe()
    process = _spawning.Process(target=_run, args=(port, root, steady, theirs))
    process.start()
    theirs.close()
    try:
        yield ours
    finally:
        process.join(10)
        process.kill()


_STORED = """
SELECT cell, (SELECT max(seq) FROM events e WHERE e.cell_id = h.cell_id AND boot = $1) FROM heads h
"""


@dataclass
class Seen:
    """When each message could be read from a database, by its number; None of those that never could."""

    steady: Steady
    begun_us: int
    at_us: list[int | None] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.at_us = [None] * self.steady.messages

    def seconds(self) -> list[float]:
        """Return how long after each was due it could be read."""
        due_us = (self.steady.due_us(number, self.begun_us) for number in range(self.steady.messages))
        return [(at - due) / 1e6 for at, due in zip(self.at_us, due_us, strict=True) if at is not None]

    @property
    def missing(self) -> int:
        """How many could never be read."""
        return self.at_us.count(None)


async def watch(database: str, steady: Steady, begun_us: int) -> Seen:
    """Look again and again what a database has of the messages, until it has all or nothing more is hoped for.

    A cell's messages are stored in their order, so that the last number tells of all; how many rows there are is checked in the end.
    """
    seen, connection = Seen(steady, begun_us), await asyncpg.connect(database)
    numbers = {path: number for number, path in enumerate(paths_of(steady.cells))}
    before = dict.fromkeys(numbers, 0)
    statement = await connection.prepare(_STORED)
    until_us = steady.due_us(steady.messages, begun_us) + round(LONGEST_S * 1e6)
    left = steady.messages
    while left and now_us() < until_us:
        rows, read_us = await statement.fetch(steady.boot), now_us()
        for cell, last in rows:
            for seq in range(before[cell] + 1, (last or 0) + 1):
                seen.at_us[(seq - 1) * steady.cells + numbers[cell]] = read_us
                left -= 1
            before[cell] = last or 0
        await asyncio.sleep(LOOK_S)
    stored = await connection.fetchval("SELECT count(*) FROM events WHERE boot = $1", steady.boot)
    await connection.close()
    if stored != steady.messages - left:
        raise RuntimeError(f"{stored} events are stored, and {steady.messages - left} by their last numbers")
    return seen


def new_boot() -> int:
    """Return a boot that no earlier sending had."""
    return now_us() // 1000
