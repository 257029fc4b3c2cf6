"""How fast fasteners are made: by operation, item and program against their standards, and by program."""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from math import fsum, sqrt
from typing import NamedTuple

from zoneledger.core.bounds import Bounds, ratio_bounds
from zoneledger.core.figures import HOUR_US, ratio

#: Where a class of the histogram begins, in tenths of the standard; each is half-open, and the last has no end.
CLASSES = (0, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 20, 30)

Kind = tuple[str, str | None, str | None]
"""Operation, item and program of a fastener."""


class Piece(NamedTuple):
    """A piece of planned time of a cell, [start_us, end_us), and the part that it belongs to."""

    cell: str
    part: int
    start_us: int
    end_us: int


class Made(NamedTuple):
    """How many fasteners of a kind were made in one part of planned time, with one first result, one last one, and as many seconds."""

    part: int
    operation: str
    item: str | None
    program: str | None
    first: str
    result: str
    seconds: float | None
    number: int

    @property
    def kind(self) -> Kind:
        """What it is."""
        return self.operation, self.item, self.program


class Class(NamedTuple):
    """One class of a histogram: from a multiple of the standard to before another one (None: no end)."""

    since: float
    before: float | None
    number: int


@dataclass(frozen=True, slots=True)
class Durations:
    """The seconds that the controller told for one fastener each: of how many it did, and what they come to.

    A quantile lies between two told values, in proportion to their places. `to_standard` is the mean over that of the standards
    of the same fasteners; it and the histogram are of those that have a standard.
    """

    told: int
    mean_s: float | None
    spread_s: float | None
    median_s: float | None
    p10_s: float | None
    p90_s: float | None
    shortest_s: float | None
    longest_s: float | None
    to_standard: float | None
    histogram: list[Class]


@dataclass(slots=True)
class KindTally:
    """What was made of a kind; `first` and `results` count by result, `told` by seconds, `rated` by seconds and standard."""

    made: int = 0
    first: dict[str, int] = field(default_factory=dict)
    results: dict[str, int] = field(default_factory=dict)
    told: dict[float, int] = field(default_factory=dict)
    rated: dict[tuple[float, int], int] = field(default_factory=dict)
    standards_us: set[int] = field(default_factory=set)

    def add(self, row: Made, rate_us: int | None) -> None:
        """Add fasteners with the standard of one in microseconds (None: unrated)."""
        self.made += row.number
        self.first[row.first] = self.first.get(row.first, 0) + row.number
        self.results[row.result] = self.results.get(row.result, 0) + row.number
        if rate_us is not None:
            self.standards_us.add(rate_us)
        if row.seconds is not None:
            self.told[row.seconds] = self.told.get(row.seconds, 0) + row.number
            if rate_us is not None:
                key = row.seconds, rate_us
                self.rated[key] = self.rated.get(key, 0) + row.number

    def first_pass(self, confidence: float) -> tuple[float | None, Bounds]:
        """Return the part that was good at once, with Wilson's two-sided bounds."""
        good = self.first.get("good", 0)
        return ratio(good, self.made), ratio_bounds(good, self.made, confidence)

    def durations(self) -> Durations:
        """Return what the told seconds come to."""
        values = sorted(self.told.items())
        number = sum(self.told.values())
        told_s = fsum(seconds * count for (seconds, _), count in self.rated.items())
        standard_s = sum(rate_us * count for (_, rate_us), count in self.rated.items()) / 1_000_000
        p10_s, median_s, p90_s = (quantile(values, part) for part in (0.1, 0.5, 0.9))
        return Durations(
            told=number,
            mean_s=ratio(fsum(seconds * count for seconds, count in values), number),
            spread_s=spread(values),
            median_s=median_s,
            p10_s=p10_s,
            p90_s=p90_s,
            shortest_s=values[0][0] if values else None,
            longest_s=values[-1][0] if values else None,
            to_standard=ratio(told_s, standard_s),
            histogram=histogram(self.rated),
        )


def spread(values: Sequence[tuple[float, int]]) -> float | None:
    """Return the standard deviation of a sample of (value, how often), None of fewer than two values."""
    number = sum(count for _, count in values)
    if number < 2:
        return None
    mean = fsum(value * count for value, count in values) / number
    return sqrt(fsum((value - mean) ** 2 * count for value, count in values) / (number - 1))


def capability(durations: Durations, least_s: float | None, most_s: float | None) -> tuple[float | None, float | None]:
    """Return the capability index Cp and the critical one, Cpk, of durations within limits (NIST/SEMATECH e-Handbook 6.1.6).

    Cp needs both limits; Cpk is that to the nearer one of those given. Both are None without a spread.
    """
    mean_s, spread_s = durations.mean_s, durations.spread_s
    if mean_s is None or not spread_s:
        return None, None
    rooms = [] if most_s is None else [most_s - mean_s]
    rooms += [] if least_s is None else [mean_s - least_s]
    cp = (most_s - least_s) / (6 * spread_s) if most_s is not None and least_s is not None else None
    return cp, min(rooms) / (3 * spread_s) if rooms else None


def quantile(values: Sequence[tuple[float, int]], part: float) -> float | None:
    """Return where a part of all values lies below, from (value, how often) in order: between two neighbours in proportion."""
    ends = list(accumulate(number for _, number in values))
    if not ends:
        return None
    place = (ends[-1] - 1) * part
    below = int(place)
    low = values[bisect_right(ends, below)][0]
    high = values[bisect_right(ends, min(below + 1, ends[-1] - 1))][0]
    return low + (high - low) * (place - below)


def histogram(rated: dict[tuple[float, int], int]) -> list[Class]:
    """Return how many fasteners took how much of their standard, from (seconds, standard in microseconds); [] of none."""
    counts = [0] * len(CLASSES)
    for (seconds, rate_us), number in rated.items():
        # In whole numbers: 3.3 s of 3.0 s are 1.1 of the standard, which a division of floats would miss.
        counts[bisect_right(CLASSES, round(seconds * 1_000_000) * 10 // rate_us) - 1] += number
    ends = [each / 10 for each in CLASSES[1:]]
    return [Class(*one) for one in zip((0.0, *ends), (*ends, None), counts, strict=True)] if rated else []


@dataclass(frozen=True, slots=True)
class ProgramRate:
    """What was made with a program, and how long the unit ran it."""

    program: str | None
    made: int
    running_us: int

    @property
    def per_running_hour(self) -> float | None:
        """Fasteners per hour of running time of the program."""
        return ratio(self.made * HOUR_US, self.running_us)


def program_rates(made: Iterable[Made], running_us: dict[str | None, int]) -> list[ProgramRate]:
    """Return the rate of each program that ran or made something, the most made first."""
    counts: dict[str | None, int] = dict.fromkeys(running_us, 0)
    for row in made:
        counts[row.program] = counts.get(row.program, 0) + row.number
    found = [ProgramRate(program, number, running_us.get(program, 0)) for program, number in counts.items()]
    return sorted(found, key=lambda one: (-one.made, -one.running_us, one.program or ""))
