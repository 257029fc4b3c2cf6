"""How many messages a second one or two ingest workers take in while each can still be read soon, at rising offered load."""

import asyncio
import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from benchmarks.latency import percentiles
from benchmarks.steady import Seen, Sent, Steady, new_boot, plant_of, sending, watch
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import wait_until
from tests.servers.service import ServiceProcess

#: A load is held where 99 in 100 messages can be read so soon after they were due, and none is missing.
BOUND_S = 1.0
#: The machine may have other work at times.
TRIES = 2
LINES = ("bench/line-0", "bench/line-1")


@contextmanager
def working(
    broker: str, database: str, folder: Path, cells: int, root: str, workers: int
) -> Iterator[list[ServiceProcess]]:
    """Run one ingest worker for all cells, or two with a line each, on an empty database, until both listen."""
    plant = folder / f"{root}.json"
    plant.write_text(json.dumps(plant_of(cells)))
    with ExitStack() as stack:
        found = []
        for number in range(workers):
            settings = {"ZONELEDGER_TOPIC_ROOT": root, "ZONELEDGER_CLIENT_ID": f"{root}-{number}"}
            if workers > 1:
                settings["ZONELEDGER_LISTEN_TO"] = LINES[number]
            flags = ["--database", database, "--broker", broker, "--plant", str(plant)]
            found.append(stack.enter_context(ServiceProcess(*flags, settings=settings)))
        wait_until(lambda: all(one.get("/health/ready")["listens"] for one in found), "all workers listen")
        yield found


def told(steady: Steady, sent: Sent, seen: Seen) -> dict[str, Any]:
    """Return what became of a steady load; raise RuntimeError where none of it could ever be read."""
    seconds = seen.seconds()
    if not seconds:
        raise RuntimeError(f"none of {steady.messages} messages could be read")
    found = percentiles(seconds)
    last_us = max(at for at in seen.at_us if at is not None)
    return {
        "offered_per_s": steady.rate,
        "messages": steady.messages,
        "not_acknowledged": steady.messages - sent.acknowledged,
        "missing": seen.missing,
        "taken_in_per_s": round((steady.messages - seen.missing) * 1e6 / (last_us - seen.begun_us)),
        "p50_ms": found["p50_ms"],
        "p99_ms": found["p99_ms"],
        "longest_ms": round(max(seconds) * 1000, 2),
        "sender_behind_ms": round(sent.behind_s * 1000, 2),
        "held": seen.missing == 0 and found["p99_ms"] <= BOUND_S * 1000,
    }


def offer(broker: Mosquitto, database: str, folder: Path, steady: Steady, workers: int) -> dict[str, Any]:
    """Offer a load to so many workers on an empty database."""
    root = f"offered-{workers}-{steady.boot}"
    with (
        working(broker.url, database, folder, steady.cells, root, workers),
        sending(broker.port, root, steady) as cells,
    ):
        seen = asyncio.run(watch(database, steady, cells.recv()))
        return {"workers": workers} | told(steady, cells.recv(), seen)


def climb(
    broker: Mosquitto, postgres: Postgres, folder: Path, cells: int, rates: list[float], seconds: float
) -> Iterator[dict[str, Any]]:
    """Offer more and more to one worker and to two in turn; who does not hold a load in any of its tries is offered no more."""
    going = [1, 2]
    for rate in rates:
        for workers in list(going):
            for _ in range(TRIES):
                steady = Steady(cells, rate, seconds, new_boot())
                found = offer(broker, postgres.url(postgres.create_database()), folder, steady, workers)
                yield found
                if found["held"]:
                    break
            else:
                going.remove(workers)
