"""A thousand clients of the live stream, beside as many of a bare stream of the same framework, and what they cost the intake.

`python -m benchmarks.streams` starts a database and the service on spare ports. A change of state is posted now and then, and
counted from the request to its arrival at each client; the bare stream sends as much text to each client for the same request,
and stores nothing. Then messages are posted as fast as one sender can, without any stream and with all of them open.
"""

import argparse
import asyncio
import json
import multiprocessing
import re
import resource
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import StreamingResponse

from benchmarks.latency import arguments, cells_of, change, first_message, percentiles, plant_of
from benchmarks.report import Compared, tell
from tests.servers.postgres import Postgres
from tests.servers.programs import accepts_connections, free_port, running, wait_until
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.application.ascii_json import ascii_json
from zoneledger.clock import now_us

#: How far changes are apart, so that each finds the streams at rest, as in most plants.
APART_S = 0.5
SETTLE_S = 1.0
ARRAY = 50
SINCE = re.compile(rb'"since":"([^"]+)"')
_spawning = multiprocessing.get_context("spawn")


# The clients, in a process of their own.


class _Client(asyncio.Protocol):
    """Notes when each instant that is told arrives, the first time."""

    def __init__(self, path: str, arrived: dict[bytes, list[float]]) -> None:
        self._request = f"GET {path} HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n".encode()
        self._arrived = arrived
        self._rest = b""
        self._last = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.write(self._request)

    def data_received(self, data: bytes) -> None:
        whole, joint, self._rest = (self._rest + data).rpartition(b"\n\n")
        for since in SINCE.findall(whole + joint):
            if since != self._last:
                self._last = since
                self._arrived.setdefault(since, []).append(time.perf_counter())


async def _listen(port: int, path: str, number: int, said: Connection) -> None:
    arrived: dict[bytes, list[float]] = {}
    loop = asyncio.get_running_loop()
    opened = [await loop.create_connection(lambda: _Client(path, arrived), "127.0.0.1", port) for _ in range(number)]
    await asyncio.sleep(SETTLE_S)
    said.send("ready")
    await loop.run_in_executor(None, said.recv)
    said.send({since.decode(): times for since, times in arrived.items()})
    for transport, _ in opened:
        transport.abort()


def _run_clients(port: int, path: str, number: int, said: Connection) -> None:
    asyncio.run(_listen(port, path, number, said))


class Clients:
    """So many clients of a stream, while the context lasts."""

    def __init__(self, port: int, path: str, number: int) -> None:
        self._ours, theirs = _spawning.Pipe()
        self._process = _spawning.Process(target=_run_clients, args=(port, path, number, theirs))

    def __enter__(self) -> "Clients":
        self._process.start()
        assert self._ours.recv() == "ready"
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.join()

    def arrived(self) -> dict[str, list[float]]:
        """Return when each instant arrived, once at each client."""
        self._ours.send("enough")
        found: dict[str, list[float]] = self._ours.recv()
        return found


# The bare stream.


def bare_app() -> FastAPI:
    """Return an application that sends what is posted to all who listen, as the framework's pages show it."""
    app, queues = FastAPI(), set[asyncio.Queue[bytes]]()

    @app.get("/stream")
    async def stream() -> StreamingResponse:
        queue = asyncio.Queue[bytes]()
        queues.add(queue)

        async def events() -> AsyncIterator[bytes]:
            try:
                while True:
                    yield await queue.get()
            finally:
                queues.discard(queue)

        return StreamingResponse(events(), media_type="text/event-stream")

    @app.post("/tell")
    async def tell(request: Request) -> dict[str, int]:
        text = await request.body()
        for queue in queues:
            queue.put_nowait(text)
        return {"told": len(queues)}

    return app


def _run_bare(port: int) -> None:
    uvicorn.run(bare_app(), port=port, log_level="warning", access_log=False)


@contextmanager
def _bare() -> Iterator[int]:
    """Serve the bare stream in a process of its own; yield its port."""
    port = free_port()
    process = _spawning.Process(target=_run_bare, args=(port,))
    process.start()
    try:
        wait_until(lambda: accepts_connections(port), "the bare stream", 30)
        yield port
    finally:
        process.kill()
        process.join()


def _told_of(cell: str, since: str) -> bytes:
    """Return what the service sends of a change, as long as it is there."""
    texts = []
    for number, unit in enumerate((cell, f"{cell}/1")):
        data = ascii_json({"unit": unit, "state": "running", "reason": "process", "since": since})
        texts.append(f"id: 0badcafe-{number}\nevent: state\ndata: {data}\n\n")
    data = ascii_json({"unit": cell, "last_message": since})
    return "".join([*texts, f"id: 0badcafe-3\nevent: figures\ndata: {data}\n\n"]).encode()


# What is measured.


def _taken(posted: dict[str, float], arrived: dict[str, list[float]], clients: int) -> dict[str, Any]:
    took = [when_s - posted[since] for since, times in arrived.items() if since in posted for when_s in times]
    return percentiles(took) | {"missing": clients * len(posted) - len(took)}


def measure_bare(clients: int, changes: int, cell: str) -> dict[str, Any]:
    """Return how long what is posted takes to each client of the bare stream."""
    posted: dict[str, float] = {}
    with _bare() as port, Clients(port, "/stream", clients) as listening, httpx.Client(timeout=60) as client:
        for _ in range(changes):
            since = rfc3339(now_us())
            posted[since] = time.perf_counter()
            client.post(f"http://127.0.0.1:{port}/tell", content=_told_of(cell, since))
            time.sleep(APART_S)
        return _taken(posted, listening.arrived(), clients)


def _post(client: httpx.Client, url: str, cell: str, messages: list[Any]) -> None:
    answer = client.post(f"{url}/v1/messages", json={"cell": cell, "messages": messages})
    answer.raise_for_status()
    if answer.json()["stored"] != len(messages):
        raise RuntimeError(f"not all messages are stored: {answer.text[:500]}")


def measure_service(service: ServiceProcess, clients: int, changes: int, cell: str) -> dict[str, Any]:
    """Return how long a change that is posted takes to each client of the live stream."""
    posted: dict[str, float] = {}
    answered: list[float] = []
    with Clients(service.port, "/v1/live", clients) as listening, httpx.Client(timeout=60) as client:
        _post(client, service.url, cell, [json.loads(first_message(now_us()))])
        time.sleep(SETTLE_S)
        for seq in range(1, changes + 1):
            at_us = now_us()
            posted[rfc3339(at_us)] = time.perf_counter()
            _post(client, service.url, cell, [json.loads(change(seq, at_us))])
            answered.append(time.perf_counter() - posted[rfc3339(at_us)])
            time.sleep(APART_S)
        return _taken(posted, listening.arrived(), clients) | {"answer": percentiles(answered)}


def _fasteners(first: int) -> list[dict[str, Any]]:
    at = rfc3339(now_us())
    made = {"v": 1, "boot": 1, "at": at, "type": "fastener", "zone": "1", "operation": "fasten", "result": "good"}
    return [made | {"seq": seq, "position": f"p-{seq}"} for seq in range(first, first + ARRAY)]


def intake(service: ServiceProcess, cells: list[str], seconds: float) -> float:
    """Return how many messages a second one sender gets stored, in arrays of cells in turn."""
    with httpx.Client(timeout=60) as client:
        for cell in cells:
            _post(client, service.url, cell, [json.loads(first_message(now_us()))])
        begun_s, number = time.perf_counter(), 0
        while time.perf_counter() - begun_s < seconds:
            _post(client, service.url, cells[number % len(cells)], _fasteners(number // len(cells) * ARRAY + 1))
            number += 1
        return number * ARRAY / (time.perf_counter() - begun_s)


def measure(clients: int, changes: int, seconds: float) -> dict[str, Any]:
    """Return what the bare stream and the service take, and the intake without streams and with them."""
    cells = cells_of(61)
    bare = measure_bare(clients, changes, cells[0])
    with tempfile.TemporaryDirectory() as name, running(Postgres(fsync=True)) as postgres:
        plant = Path(name) / "plant.json"
        plant.write_text(json.dumps(plant_of(cells)))
        flags = ("--database", postgres.url(postgres.create_database()), "--plant", str(plant))
        with ServiceProcess(*flags) as service:
            live = measure_service(service, clients, changes, cells[0])
            without = intake(service, cells[1:31], seconds)
            with Clients(service.port, "/v1/live", clients):
                beside = intake(service, cells[31:], seconds)
    return {"bare": bare, "live": live, "intake": {"without": without, "beside": beside}}


def _compared(runs: list[dict[str, Any]], clients: int) -> list[Compared]:
    p99 = tuple((run["bare"]["p99_ms"], run["live"]["p99_ms"]) for run in runs)
    intakes = tuple((run["intake"]["without"], run["intake"]["beside"]) for run in runs)
    return [
        Compared(f"p99 of a change to {clients} live streams", "a bare stream", "ms", "at most 2", p99),
        Compared(f"intake beside {clients} live streams", "without them", "messages/s", "unchanged", intakes),
    ]


def main() -> None:
    """Print how long a change takes to all clients of the live stream, beside a bare one, and what they cost the intake."""
    parser = arguments(argparse.ArgumentParser(description=main.__doc__))
    parser.add_argument("--clients", type=int, default=1000)
    parser.add_argument("--changes", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=15, help="of each intake")
    parser.add_argument("--runs", type=int, default=3)
    told = parser.parse_args()
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    sizes, number = ((20, 4, 1.0), 1) if told.small else ((told.clients, told.changes, told.seconds), told.runs)
    runs = [measure(*sizes) for _ in range(number)]
    for run in runs:
        print(json.dumps(run))
    tell(_compared(runs, sizes[0]), told.json, {"runs": runs})


if __name__ == "__main__":
    main()
