"""How long things take: durations drawn in whole microseconds from a seeded source."""

from dataclasses import dataclass
from random import Random
from typing import Protocol

US_PER_S = 1_000_000
HOUR_S = 3600.0


def to_us(seconds: float) -> int:
    """Return seconds as whole microseconds, never below 0."""
    return max(0, round(seconds * US_PER_S))


class Duration(Protocol):
    """Something that takes time."""

    def draw_us(self, rng: Random, /) -> int:
        """Return one duration in microseconds, at least 0."""
        ...


@dataclass(frozen=True, slots=True)
class Fixed:
    """Always the same."""

    seconds: float

    def draw_us(self, _rng: Random, /) -> int:
        return to_us(self.seconds)


@dataclass(frozen=True, slots=True)
class Exponential:
    """Exponentially distributed around `mean_s`."""

    mean_s: float

    def draw_us(self, rng: Random, /) -> int:
        return to_us(rng.expovariate(1.0) * self.mean_s)


@dataclass(frozen=True, slots=True)
class Triangular:
    """Between `low_s` and `high_s`, most often about `mode_s`: what is known of most work by hand."""

    low_s: float
    mode_s: float
    high_s: float

    def draw_us(self, rng: Random, /) -> int:
        return to_us(rng.triangular(self.low_s, self.high_s, self.mode_s))
