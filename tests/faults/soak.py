"""A soak: cells send steadily while faults befall broker, link, service and database at random, and nothing may be lost or grow.

    python -m tests.faults.soak --minutes 30 --database sqlite --seed 20261125

The cells send above 500 messages a second. A fault comes every few seconds; the service's process is ended only in the first
third, so that the last one lives long enough to show a slope. Every two seconds its memory, objects, open files and tasks are
measured, and the sizes of the write-ahead log and of what the broker keeps on disk. At the end the checker says what became of all
messages, and each series is held against its bound (`slopes.py`). `--into` is where the plot and a summary go.
"""

import argparse
import csv
import random
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.plotting import draw
from tests.faults.samples import EVERY_S, FIELDS, SAMPLES
from tests.faults.slopes import Judged, Life, Point, Series, judge
from tests.faults.trouble import ENDS, Trouble
from tests.servers.programs import bytes_of

MIB = 1024 * 1024
NAMES = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}
#: What the pace has to come to, in messages a second.
LEAST_PER_S = 500


@dataclass(frozen=True)
class Asked:
    """How long the soak is, and how the cells send: `cells` at `pace` times their own, a fault each `gap_s` (least, most)."""

    seconds: float
    database: str
    seed: int
    cells: int = 60
    pace: float = 36.0
    gap_s: tuple[float, float] = (3.0, 12.0)


@dataclass
class Soaked:
    """What came of it; instants are seconds since the begin."""

    asked: Asked
    outcome: Outcome
    lasted_s: float
    series: list[Series]
    faults: dict[str, list[float]]

    @property
    def per_s(self) -> float:
        """Messages sent a second."""
        return self.outcome.sent / self.lasted_s

    @property
    def ends(self) -> list[float]:
        """When the process was ended."""
        return sorted(at_s for name in ENDS for at_s in self.faults.get(name, ()))

    @property
    def title(self) -> str:
        """What was done, in a line."""
        asked = self.asked
        number = sum(map(len, self.faults.values()))
        return (
            f"{self.lasted_s / 60:.1f} min on {NAMES[asked.database]}, {self.per_s:.0f} messages a second of {asked.cells} cells, "
            f"{number} faults, seed {asked.seed}"
        )


@dataclass
class _Sizes:
    """Sizes of files in bytes, each as (seconds, size), measured in a thread of its own."""

    wal: list[Point] = field(default_factory=list)
    broker: list[Point] = field(default_factory=list)


@contextmanager
def _watching(bench: Bench, began_s: float) -> Iterator[_Sizes]:
    sizes, enough = _Sizes(), threading.Event()

    def measure() -> None:
        while not enough.wait(EVERY_S):
            at_s = time.monotonic() - began_s
            wal = bytes_of([bench.directory / "zoneledger.db-wal"])
            if bench.postgres is not None:
                wal = bench.postgres.write_ahead_log()
            sizes.wal.append((at_s, wal / MIB))
            sizes.broker.append((at_s, bench.broker.persisted() / MIB))

    thread = threading.Thread(target=measure)
    thread.start()
    try:
        yield sizes
    finally:
        enough.set()
        thread.join()


def _of_processes(samples: Path, began_s: float) -> list[Series]:
    """Return memory, objects, open files and tasks by the process's lives, as samples tell them."""
    with samples.open(newline="") as stream:
        rows = [dict(zip(FIELDS, map(float, row), strict=True)) for row in csv.reader(stream)]
    lives = [list(life) for _, life in groupby(rows, key=lambda row: row["pid"])]

    def of(name: str, unit: str, column: str, per: int = 1) -> Series:
        points = (tuple((row["at_s"] - began_s, row[column] / per) for row in life) for life in lives)
        return Series(name, unit, tuple(map(Life, points)))

    return [
        of("memory", "MiB", "rss_bytes", MIB),
        of("objects", "1,000", "blocks", 1000),
        of("open files", "count", "open_files"),
        of("tasks", "count", "tasks"),
    ]


def _befall(asked: Asked, trouble: Trouble, rng: random.Random, began_s: float, say: Callable[[str], object]) -> None:
    """Let faults befall until the time is up, and the process was ended as often as it is to be."""
    ends = {name: asked.seconds * rng.uniform(*when) for name, when in ENDS.items()}
    while (left_s := asked.seconds - (time.monotonic() - began_s)) > 0 or ends:
        time.sleep(min(max(left_s, 0.0), rng.uniform(*asked.gap_s)))
        due = [name for name, at_s in ends.items() if at_s <= time.monotonic() - began_s]
        chosen = due[0] if due else trouble.choose(asked.seconds - (time.monotonic() - began_s))
        if chosen is not None:
            ends.pop(chosen, None)
            say(f"{time.monotonic() - began_s:7.1f} s: {chosen}")
            trouble.befall(chosen)


def soak(asked: Asked, say: Callable[[str], object] = str) -> Soaked:
    """Run it on servers of its own; `say` is told each fault as it comes."""
    rng = random.Random(asked.seed)
    with Bench(asked.database, asked.seed, full=True) as bench:
        relay, samples = bench.relay(bench.broker.port), bench.directory / "samples.csv"
        bench.serve(broker=relay.url, settings={SAMPLES: str(samples)}, cells=asked.cells, pace=asked.pace)
        with bench.sending():
            began_s = time.monotonic()
            trouble = Trouble(bench, relay, rng, began_s)
            with _watching(bench, began_s) as sizes:
                _befall(asked, trouble, rng, began_s, say)
        lasted_s = time.monotonic() - began_s
        outcome = bench.check(wait_s=300, quiet_s=60)
        series = _of_processes(samples, began_s)
    whole = [("write-ahead log", sizes.wal), ("broker's file", sizes.broker)]
    series += [Series(name, "MiB", (Life(tuple(points)),), of_process=False) for name, points in whole]
    # What the start cost, and the checker's questions after the end, is not of the soak.
    series = [one.until(lasted_s) for one in series]
    return Soaked(asked, outcome, lasted_s, series, dict(sorted(trouble.befallen.items())))


def write_down(soaked: Soaked, judged: Sequence[Judged], into: Path) -> None:
    """Write the plot and the summary of a soak, named for its database."""
    into.mkdir(parents=True, exist_ok=True)
    plot = draw(soaked.title, soaked.lasted_s, soaked.series, soaked.faults, soaked.ends)
    (into / f"{soaked.asked.database}.svg").write_text(plot)
    with (into / f"{soaked.asked.database}.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(("series", "unit", "life", "minutes", "level", "slope_per_hour", "bound", "holds"))
        for one in judged:
            holds = {True: "yes", False: "no", None: "too short"}[one.holds]
            numbers = (f"{one.minutes:.1f}", f"{one.level:.2f}", f"{one.slope_per_hour:.3f}")
            writer.writerow((one.series.name, one.series.unit, one.life, *numbers, one.bound, holds))


def main() -> int:
    """Run it; return 1 where anything is lost, twice or different, or a bound is broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.soak", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--into", type=Path, default=None, help="a folder for the plot and the summary")
    given = parser.parse_args()
    soaked = soak(Asked(given.minutes * 60, given.database, given.seed), lambda line: print(line, flush=True))
    judged = [one for series in soaked.series for one in judge(series, given.database)]
    if given.into is not None:
        write_down(soaked, judged, given.into)
    print(soaked.title)
    print(", ".join(f"{name} {len(at)}" for name, at in soaked.faults.items()))
    print(soaked.outcome)
    for one in judged:
        print(one)
    is_steady = soaked.per_s >= LEAST_PER_S
    if not is_steady:
        print(f"{soaked.per_s:.0f} messages a second are fewer than {LEAST_PER_S}")
    unjudged = {one.series.name for one in judged} - {one.series.name for one in judged if one.holds is not None}
    if unjudged:
        print(f"no process lived long enough to judge its {', '.join(sorted(unjudged))}")
    holds = is_steady and not unjudged and all(one.holds is not False for one in judged)
    return 0 if soaked.outcome.faultless and holds else 1


if __name__ == "__main__":
    sys.exit(main())
