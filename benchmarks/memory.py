"""What a long backlog costs in memory: the service as a process of its own, idle, and while it drains what waits at the broker.

python -m benchmarks.memory --messages 1000000
"""

import argparse
import asyncio
import json
import tempfile
import time
from pathlib import Path
from statistics import median

from benchmarks.ingest import PLANT
from benchmarks.raw_drain import fill_backlog
from benchmarks.report import Compared, tell
from tests.servers.mosquitto import Mosquitto
from tests.servers.postgres import Postgres
from tests.servers.programs import running
from tests.servers.service import ServiceProcess
from zoneledger_mqtt.topics import Topics

EVERY_S, LONGEST_S = 0.2, 1800.0


def _resident_mib(service: ServiceProcess) -> float:
    status = Path(f"/proc/{service.pid}/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) / 1024


def measure(database_url: str, messages: int, plant: Path) -> tuple[float, float, float]:
    """Return the service's memory in MiB idle and at its most, and how many messages a second it drained."""
    with running(Mosquitto()) as broker:
        flags = ["--database", database_url, "--broker", broker.url, "--plant", str(plant)]
        with ServiceProcess(*flags) as service:
            time.sleep(5)  # it is subscribed by now, and its session keeps what comes while it is away
            idle_mib = _resident_mib(service)
        asyncio.run(fill_backlog(broker.url, Topics(), messages, 1))
        service.start("live")
        began_s, most_mib = time.monotonic(), 0.0
        try:
            while time.monotonic() - began_s < LONGEST_S:
                most_mib = max(most_mib, _resident_mib(service))
                if service.received() >= messages:
                    return idle_mib, most_mib, messages / (time.monotonic() - began_s)
                time.sleep(EVERY_S)
            raise TimeoutError(f"{service.received()} of {messages} messages in {LONGEST_S:g} s")
        finally:
            service.stop()


def compare(messages: int, runs: int) -> list[Compared]:
    """Measure it on both databases, on new ones for each run."""
    found: dict[str, list[tuple[float, float, float]]] = {}
    with tempfile.TemporaryDirectory() as folder, running(Postgres(fsync=True)) as postgres:
        plant = Path(folder) / "plant.json"
        plant.write_text(json.dumps(PLANT))
        for run in range(runs):
            for name, url in (
                ("postgresql", postgres.url(postgres.create_database())),
                ("sqlite", f"sqlite:///{folder}/ledger-{run}.db"),
            ):
                found.setdefault(name, []).append(measure(url, messages, plant))
    return [_compared(name, messages, of_runs) for name, of_runs in found.items()]


def _compared(name: str, messages: int, runs: list[tuple[float, float, float]]) -> Compared:
    rate = median(per_s for _, _, per_s in runs)
    work = f"memory behind a backlog of {messages} messages, {name} ({rate:,.0f}/s)"
    return Compared(work, "idle", "MiB", "at most 150 MiB more", tuple((idle, most) for idle, most, _ in runs))


def main() -> None:
    """Print the memory idle and at its most, on both databases."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--messages", type=int, default=1_000_000, help="a multiple of 2")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--json", type=Path, default=None, help="where the results go")
    given = parser.parse_args()
    tell(compare(given.messages, given.runs), given.json)


if __name__ == "__main__":
    main()
