"""Where planned time went: from all of it down to the standard time of good fasteners, in named steps that sum exactly.

The losses are those of S. Nakajima (breakdowns, set-up, idling and minor stops, reduced speed, defects), with unknown time
and idle time each named apart. All times are microseconds. What is summed here adds up over cells, and over windows too
but for the occurrences: one that reaches from a window into the next is counted in both.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import NamedTuple, Protocol, TypeVar

from zoneledger.core.figures import Account
from zoneledger.core.spans import Interval, Span

#: The reason of running time that a minor stop took.
MINOR_STOP = "minor_stop"

Cause = tuple[str, str | None]
"""A state and its reason."""

Position = tuple[str | None, str | None]
"""A program and a position: positions are the panel's own, and a program's panels are alike."""

KeyT = TypeVar("KeyT")
ValueT = TypeVar("ValueT", bound="_Adding")


class _Adding(Protocol):
    def __add__(self: ValueT, other: ValueT, /) -> ValueT: ...


@dataclass(frozen=True, slots=True)
class Occurrences:
    """How often something happened, each time as it lies in planned time.

    `first_us` and `last_us` are when the first and the last one begin there, `longest_us` is the length of the longest.
    """

    number: int
    length_us: int
    first_us: int
    last_us: int
    longest_us: int

    @property
    def mean_us(self) -> int:
        """The mean length, to the microsecond."""
        return round(self.length_us / self.number)

    def __add__(self, other: "Occurrences") -> "Occurrences":
        return Occurrences(
            self.number + other.number,
            self.length_us + other.length_us,
            min(self.first_us, other.first_us),
            max(self.last_us, other.last_us),
            max(self.longest_us, other.longest_us),
        )


@dataclass(frozen=True, slots=True)
class ProgramLoss:
    """What a program had of a unit's running time, and what was made of it."""

    running_us: int = 0
    standard_us: int = 0
    minor_stop_us: int = 0
    made: int = 0

    @property
    def speed_loss_us(self) -> int:
        """Running time that neither standard nor minor stops account for; below 0 where they account for more."""
        return self.running_us - self.standard_us - self.minor_stop_us

    def __add__(self, other: "ProgramLoss") -> "ProgramLoss":
        return ProgramLoss(
            self.running_us + other.running_us,
            self.standard_us + other.standard_us,
            self.minor_stop_us + other.minor_stop_us,
            self.made + other.made,
        )


@dataclass(frozen=True, slots=True)
class Defects:
    """Fasteners that are not good, by their last result, with the standard time of those that have one."""

    rework: int = 0
    reject: int = 0
    rework_standard_us: int = 0
    reject_standard_us: int = 0

    @classmethod
    def of(cls, result: str, number: int, rate_us: int) -> "Defects":
        """Return so many fasteners with the same result and the standard time of one (0: it has none)."""
        lost_us = number * rate_us
        return cls(number, 0, lost_us, 0) if result == "rework" else cls(0, number, 0, lost_us)

    @property
    def number(self) -> int:
        """Both together."""
        return self.rework + self.reject

    @property
    def lost_us(self) -> int:
        """The standard time of both together."""
        return self.rework_standard_us + self.reject_standard_us

    def __add__(self, other: "Defects") -> "Defects":
        return Defects(
            self.rework + other.rework,
            self.reject + other.reject,
            self.rework_standard_us + other.rework_standard_us,
            self.reject_standard_us + other.reject_standard_us,
        )


def added(into: Mapping[KeyT, ValueT], other: Mapping[KeyT, ValueT]) -> dict[KeyT, ValueT]:
    """Return the sums of two tables by key."""
    found = dict(into)
    for key, value in other.items():
        found[key] = found[key] + value if key in found else value
    return found


@dataclass(slots=True)
class LossAccount:
    """What losses are read off, beside the account of time and fasteners of the same unit and window."""

    minor_stop_us: int = 0
    causes: dict[Cause, Occurrences] = field(default_factory=dict)
    programs: dict[str | None, ProgramLoss] = field(default_factory=dict)
    items: dict[str | None, Defects] = field(default_factory=dict)
    positions: dict[Position, Defects] = field(default_factory=dict)

    def __add__(self, other: "LossAccount") -> "LossAccount":
        return LossAccount(
            self.minor_stop_us + other.minor_stop_us,
            added(self.causes, other.causes),
            added(self.programs, other.programs),
            added(self.items, other.items),
            added(self.positions, other.positions),
        )


class Step(NamedTuple):
    """One step down from planned time: its name, what it lost (of speed also below 0), and what is left after it."""

    name: str
    lost_us: int
    left_us: int


def steps_of(account: Account, minor_stop_us: int) -> list[Step]:
    """Return the losses in their order; after the last one the standard time of the good fasteners is left."""
    a = account
    lost_us = {
        "unknown": a.unknown_us,
        "fault": a.fault_us,
        "changeover": a.changeover_us,
        "idle": a.idle_us,
        "minor_stops": minor_stop_us,
        "speed": a.running_us - a.standard_us - minor_stop_us,
        "rework": a.rework_standard_us,
        "reject": a.reject_standard_us,
    }
    left_us = (a.planned_us - lost for lost in accumulate(lost_us.values()))
    return [Step(name, lost, left) for (name, lost), left in zip(lost_us.items(), left_us, strict=True)]


def within(intervals: Iterable[Interval], planned: Sequence[Interval]) -> Iterator[Interval | None]:
    """Yield of each interval when it begins in planned time and how much of it lies there, None where nothing does.

    Both are sorted and disjoint.
    """
    k = 0
    for start_us, end_us in intervals:
        while k < len(planned) and planned[k][1] <= start_us:
            k += 1
        begins_us, length_us, j = None, 0, k
        while j < len(planned) and planned[j][0] < end_us:
            begins_us = max(planned[j][0], start_us) if begins_us is None else begins_us
            length_us += min(planned[j][1], end_us) - max(planned[j][0], start_us)
            j += 1
        yield None if begins_us is None else (begins_us, length_us)


def causes_of(spans: Sequence[Span], planned: Sequence[Interval]) -> dict[Cause, Occurrences]:
    """Return what the spans of a unit lost of planned time, by state and reason; each span is one occurrence."""
    found: dict[Cause, Occurrences] = {}
    lying = within(((span.start_us, span.end_us) for span in spans), planned)
    for span, inside in zip(spans, lying, strict=True):
        if inside is not None:
            _count(found, (span.state, span.reason), inside)
    return found


def stops_of(stops: Sequence[Interval], planned: Sequence[Interval]) -> Occurrences | None:
    """Return what minor stops lost of planned time, None where they lost nothing."""
    found: dict[None, Occurrences] = {}
    for inside in within(stops, planned):
        if inside is not None:
            _count(found, None, inside)
    return found.get(None)


def _count(into: dict[KeyT, Occurrences], key: KeyT, inside: Interval) -> None:
    begins_us, length_us = inside
    one = Occurrences(1, length_us, begins_us, begins_us, length_us)
    into[key] = into[key] + one if key in into else one


def _named(*names: str | None) -> tuple[tuple[bool, str], ...]:
    """Return names as they are ordered, those that nobody told first."""
    return tuple((name is not None, name or "") for name in names)


def causes_by_time(causes: Mapping[Cause, Occurrences]) -> list[tuple[Cause, Occurrences]]:
    """Return causes, those that lost the most first; of equal ones the more frequent, then by state and reason."""
    return sorted(causes.items(), key=lambda one: (-one[1].length_us, -one[1].number, _named(*one[0])))


def causes_by_number(causes: Mapping[Cause, Occurrences]) -> list[tuple[Cause, Occurrences]]:
    """Return causes, the most frequent first; of equal ones those that lost more, then by state and reason."""
    return sorted(causes.items(), key=lambda one: (-one[1].number, -one[1].length_us, _named(*one[0])))


def programs_in_order(programs: Mapping[str | None, ProgramLoss]) -> list[tuple[str | None, ProgramLoss]]:
    """Return programs, those that ran longest first; of equal ones the one that made more, then by name."""
    return sorted(programs.items(), key=lambda one: (-one[1].running_us, -one[1].made, _named(one[0])))


def items_in_order(items: Mapping[str | None, Defects]) -> list[tuple[str | None, Defects]]:
    """Return items, the worst first: by the standard time lost, then the number, the rejected ones, the name."""
    return sorted(items.items(), key=lambda one: (_badness(one[1]), _named(one[0])))


def positions_in_order(positions: Mapping[Position, Defects]) -> list[tuple[Position, Defects]]:
    """Return positions, the worst first, as items are."""
    return sorted(positions.items(), key=lambda one: (_badness(one[1]), _named(*one[0])))


def _badness(defects: Defects) -> tuple[int, int, int]:
    return -defects.lost_us, -defects.number, -defects.reject
