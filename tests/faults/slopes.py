"""What a soak measured over time, and whether it has a slope.

- Memory of a process, and the blocks that Python has handed out in it, rise by less than 5 % of their level an hour.
- Open files and tasks: what is held at rest in the last quarter of a life, its least, is no more than was held at rest in the first
  half, the most of the least of each three minutes.
- The write-ahead log never is larger than 64 MiB on SQLite, and than PostgreSQL's `max_wal_size` and a quarter.
- What the broker keeps on disk comes down to 8 MiB or less in each two minutes: its queue is empty again and again.

The bounds were set before anybody looked at a measurement, but for some that asked what need not be. Open files and tasks at rest
were to rise by less than 1 over the time judged: but the pool's connections to the database, 1 to 10, are opened anew as they are
asked for after each restart of the database. Then they were judged by the least of each minute: but that is what is held while the
link to the broker is down, and now and then a minute passes without that; then by the most of the least of each three minutes in both
halves: but three minutes pass without that, too, and then as few are open as before. The broker's file was to come down in each
minute: but a link that is half-open is noticed after 30 to 50 s only, and what was queued meanwhile is taken in after that. A life was
long enough to be judged with 8 minutes: but a process under this load fills its caches and pools for ten.

Slopes are least squares over the second half of a process's life, if it lived for 20 minutes or more, and one has to; the others
over the second half of the soak.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from statistics import linear_regression, mean

HOUR_S, MINUTE_S = 3600.0, 60.0
AT_REST_S = 3 * MINUTE_S
LONG_LIFE_S = 1200.0
MEMORY_AN_HOUR = 0.05
WAL_MIB = {"sqlite": 64.0, "postgresql": 640.0}
BROKER_MIB, BROKER_S = 8.0, 2 * MINUTE_S

Point = tuple[float, float]
"""Seconds since the soak began, and a value."""
Holds = Callable[[list[Point], list[Point]], bool]
"""Whether what was measured in the first half and in the second keeps a bound."""


@dataclass(frozen=True)
class Life:
    """What was measured of one thing while one process lived, or over the whole soak."""

    points: tuple[Point, ...]

    @property
    def lasted_s(self) -> float:
        """From the first measurement to the last."""
        return self.points[-1][0] - self.points[0][0] if self.points else 0.0

    def halves(self) -> tuple[list[Point], list[Point]]:
        """Return what was measured in the first and in the second half."""
        middle_s = self.points[0][0] + self.lasted_s / 2 if self.points else 0.0
        first = [point for point in self.points if point[0] < middle_s]
        return first, list(self.points[len(first) :])


@dataclass(frozen=True)
class Series:
    """A quantity in a unit over the soak: `lives` in their order; `of_process` where it is a process's own."""

    name: str
    unit: str
    lives: tuple[Life, ...]
    of_process: bool = True

    def until(self, end_s: float) -> "Series":
        """Return the same from the begin up to an instant; lives of which nothing is left are left out."""
        cut = (Life(tuple(point for point in life.points if 0 <= point[0] <= end_s)) for life in self.lives)
        return replace(self, lives=tuple(life for life in cut if life.points))


@dataclass(frozen=True)
class Judged:
    """A life's level and slope in its second half of `minutes`, the bound in words, and whether it holds (None: too short)."""

    series: Series
    life: int
    minutes: float
    level: float
    slope_per_hour: float
    bound: str
    holds: bool | None

    def __str__(self) -> str:
        found = {True: "holds", False: "BROKEN", None: "too short to be judged"}[self.holds]
        return (
            f"{self.series.name:<16}life {self.life}: {self.level:>9.1f} {self.series.unit:<5} "
            f"{self.slope_per_hour:>+9.2f} an hour over {self.minutes:.1f} min; {self.bound}: {found}"
        )


def slope_per_s(points: Sequence[Point]) -> float:
    """Return the slope of a line by least squares; 0 for fewer than two instants."""
    if len({at_s for at_s, _ in points}) < 2:
        return 0.0
    return linear_regression([at_s for at_s, _ in points], [value for _, value in points]).slope


def most_of_the_least(points: Iterable[Point], each_s: float) -> float:
    """Return the largest of the least values of each `each_s` seconds, measured for half of them or more."""
    pieces = [list(piece) for _, piece in groupby(points, key=lambda point: point[0] // each_s)]
    measured = (piece for piece in pieces if piece[-1][0] - piece[0][0] >= each_s / 2)
    return max((min(value for _, value in piece) for piece in measured), default=0.0)


def _judge(series: Series, number: int, life: Life, bound: str, holds: Holds) -> Judged:
    first, half = life.halves()
    is_long = life.lasted_s >= LONG_LIFE_S or not series.of_process
    minutes = (half[-1][0] - half[0][0]) / MINUTE_S if half else 0.0
    level = mean(value for _, value in half) if half else 0.0
    slope = slope_per_s(half) * HOUR_S
    return Judged(series, number, minutes, level, slope, bound, holds(first, half) if is_long and half else None)


def _memory_holds(_: list[Point], half: list[Point]) -> bool:
    return slope_per_s(half) * HOUR_S < MEMORY_AN_HOUR * mean(value for _, value in half)


def _held_holds(first: list[Point], half: list[Point]) -> bool:
    last = half[len(half) // 2 :]
    return min(value for _, value in last) <= most_of_the_least(first, AT_REST_S)


def judge(series: Series, database: str) -> list[Judged]:
    """Hold each life of a series against the bound of its name; raises KeyError for a series that has none."""
    largest_mib = WAL_MIB[database]
    bounds: dict[str, tuple[str, Holds]] = {
        "memory": (f"less than {MEMORY_AN_HOUR:.0%} of its level an hour", _memory_holds),
        "objects": (f"less than {MEMORY_AN_HOUR:.0%} of its level an hour", _memory_holds),
        "open files": ("at rest no more than before", _held_holds),
        "tasks": ("at rest no more than before", _held_holds),
        "write-ahead log": (
            f"never above {largest_mib:g} MiB",
            lambda _, half: max(value for _, value in half) <= largest_mib,
        ),
        "broker's file": (
            f"in each two minutes down to {BROKER_MIB:g} MiB",
            lambda _, half: most_of_the_least(half, BROKER_S) <= BROKER_MIB,
        ),
    }
    bound, holds = bounds[series.name]
    return [_judge(series, number, life, bound, holds) for number, life in enumerate(series.lives, 1)]
