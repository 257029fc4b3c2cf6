"""A flood: so many clients, in a process of their own, that ask a service for windows that cost much, each another one."""

import asyncio
import json
import multiprocessing
import random
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import cycle
from multiprocessing.connection import Connection
from typing import NamedTuple
from urllib.parse import quote

from benchmarks.load import exchange
from zoneledger.api.times import rfc3339
from zoneledger.core.calendar import DAY_US

#: What is asked for, in turn, and over how many days at most. Of a whole line no pre-sum tells what lies at its window's edges.
ASKED = (
    ("/v1/kpi/{line}", 31.0),
    ("/v1/losses/{line}", 31.0),
    ("/v1/timeline/{cell}", 7.0),
    ("/v1/events?limit=5000", 0.0),
    ("/v1/kpi/{cell}?by=hour", 31.0),
    ("/v1/rates/{cell}", 31.0),
    ("/v1/failures/{line}", 31.0),
    ("/v1/snapshots?limit=5000", 0.0),
)
_spawning = multiprocessing.get_context("spawn")


class History(NamedTuple):
    """What may be asked for: a line with its cells, and from when to when it has a ledger."""

    line: str
    cells: list[str]
    start_us: int
    end_us: int


class Told(NamedTuple):
    """An answer: what was asked for, its status, how long it took, and how long it is."""

    asked: str
    status: int
    took_s: float
    length: int


def _path(history: History, asked: str, days: float, chance: random.Random) -> str:
    """Return a request for a window that nobody has asked for before."""
    path = asked.format(line=history.line, cell=chance.choice(history.cells))
    if not days:
        return f"{path}&after={chance.randrange(100)}"
    length_us = min(days * DAY_US, history.end_us - history.start_us) * chance.uniform(0.5, 1)
    start_us = round(chance.uniform(history.start_us, history.end_us - length_us))
    window = "&".join(
        f"{name}={quote(rfc3339(us))}" for name, us in (("start", start_us), ("end", start_us + round(length_us)))
    )
    return f"{path}{'&' if '?' in path else '?'}{window}"


def _is_clear(head: bytes, body: bytes) -> bool:
    """Whether an answer says that the service has too much to do, and when to ask again."""
    is_problem = b"content-type: application/problem+json" in head and b"\r\nretry-after: " in head
    return is_problem and json.loads(body)["code"] == "busy"


async def _ask_on(port: int, history: History, first: int, told: list[Told]) -> None:
    """Ask again and again until cancelled; raise RuntimeError for an answer that is neither 200 nor busy."""
    chance, reader_writer = random.Random(first), await asyncio.open_connection("127.0.0.1", port, limit=2**24)
    try:
        for asked, days in cycle([*ASKED[first % len(ASKED) :], *ASKED[: first % len(ASKED)]]):
            path, began_s = _path(history, asked, days, chance), time.perf_counter()
            status, head, body = await exchange(*reader_writer, path)
            if status != 200 and not (status == 503 and _is_clear(head, body)):
                raise RuntimeError(f"{path}: {status} {body[:300]!r}")
            told.append(Told(asked, status, time.perf_counter() - began_s, len(body)))
    finally:
        reader_writer[1].close()


async def _flood(port: int, history: History, clients: int, said: Connection) -> None:
    """Flood between a `go` and the next word, as often as that is said; send what was told."""
    loop = asyncio.get_running_loop()
    while await loop.run_in_executor(None, said.recv) == "go":
        told: list[Told] = []
        asking = [asyncio.create_task(_ask_on(port, history, first, told)) for first in range(clients)]
        ended = loop.run_in_executor(None, said.recv)
        await asyncio.wait([ended, *asking], return_when=asyncio.FIRST_COMPLETED)
        for task in asking:
            task.cancel()
        failed = [one for one in await asyncio.gather(*asking, return_exceptions=True) if isinstance(one, Exception)]
        await ended
        said.send(repr(failed[0]) if failed else told)


def _run(port: int, history: History, clients: int, said: Connection) -> None:
    with suppress(EOFError):
        asyncio.run(_flood(port, history, clients, said))


class Flood:
    """Clients that flood a service when they are told to."""

    def __init__(self, said: Connection) -> None:
        self._said = said

    def begin(self) -> None:
        """Let them ask."""
        self._said.send("go")

    def end(self) -> Sequence[Told]:
        """Let them go away; return what they were told. Raises RuntimeError for an answer that is neither 200 nor busy."""
        self._said.send("enough")
        told: list[Told] | str = self._said.recv()
        if isinstance(told, str):
            raise RuntimeError(told)
        return told


@contextmanager
def flooding(port: int, history: History, clients: int) -> Iterator[Flood]:
    """Yield so many clients, which do nothing yet."""
    ours, theirs = _spawning.Pipe()
    process = _spawning.Process(target=_run, args=(port, history, clients, theirs))
    process.start()
    try:
        yield Flood(ours)
    finally:
        process.kill()
        process.join()
