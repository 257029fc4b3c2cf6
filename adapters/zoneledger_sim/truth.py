"""The simulator's own truth: what each zone and cell really did, recorded by the machine as it happens."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from zoneledger_sim.condition import STATES, Standing

_Key = TypeVar("_Key")

RESULTS = ("good", "rework", "reject")


@dataclass(slots=True)
class Made:
    """One fastener made at `at_us`; `final` is its result after the last verdict, `first` before any."""

    at_us: int
    zone: str
    operation: str
    item: str | None
    program: str
    panel: str
    position: str
    first: str
    final: str


@dataclass(frozen=True, slots=True)
class Pass:
    """One panel's way through one zone, load begin to unload end."""

    zone: str
    panel: str
    program: str
    load_begun_us: int
    unload_ended_us: int
    outcome: str


@dataclass(frozen=True, slots=True)
class Account:
    """A unit's window: microseconds by state and by (state, reason); fasteners by first and by final result."""

    time_us: dict[str, int]
    reason_us: dict[Standing, int]
    first: dict[str, int]
    final: dict[str, int]
    passes: int

    def __add__(self, other: "Account") -> "Account":
        """Return the account of both windows together."""
        return Account(
            _sum(self.time_us, other.time_us),
            _sum(self.reason_us, other.reason_us),
            _sum(self.first, other.first),
            _sum(self.final, other.final),
            self.passes + other.passes,
        )

    @property
    def made(self) -> int:
        """How many fasteners were made, whatever their result."""
        return sum(self.first.values())


@dataclass(slots=True)
class Record:
    """All that is known of one unit: its state changes in time order, and a zone's fasteners and passes."""

    starts_us: list[int] = field(default_factory=list)
    standings: list[Standing] = field(default_factory=list)
    made: list[Made] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)

    def change(self, at_us: int, standing: Standing) -> None:
        """Record that `standing` holds from `at_us` on; the last word at an instant holds."""
        if self.starts_us and self.starts_us[-1] == at_us:
            self.starts_us.pop()
            self.standings.pop()
        if not self.standings or self.standings[-1] != standing:
            self.starts_us.append(at_us)
            self.standings.append(standing)

    def spans(self, start_us: int, end_us: int) -> Iterable[tuple[int, int, Standing]]:
        """Yield (start, end, standing) of the window [start_us, end_us), in microseconds."""
        for index in range(max(0, bisect_right(self.starts_us, start_us) - 1), len(self.starts_us)):
            begun_us = max(start_us, self.starts_us[index])
            if begun_us >= end_us:
                return
            following_us = self.starts_us[index + 1] if index + 1 < len(self.starts_us) else end_us
            yield begun_us, min(end_us, following_us), self.standings[index]

    def made_in(self, start_us: int, end_us: int) -> list[Made]:
        """Return the fasteners made in [start_us, end_us)."""
        low = bisect_left(self.made, start_us, key=lambda made: made.at_us)
        return self.made[low : bisect_left(self.made, end_us, low, key=lambda made: made.at_us)]

    def passes_in(self, start_us: int, end_us: int) -> list[Pass]:
        """Return the passes that ended in [start_us, end_us)."""
        return [each for each in self.passes if start_us <= each.unload_ended_us < end_us]

    def time_in(self, each: Pass) -> dict[Standing, int]:
        """Return the microseconds of a pass by (state, reason); they sum to its length."""
        spent: dict[Standing, int] = {}
        for begun_us, ended_us, standing in self.spans(each.load_begun_us, each.unload_ended_us):
            spent[standing] = spent.get(standing, 0) + ended_us - begun_us
        return spent


class Truth:
    """What happened in [start_us, until_us): microseconds since the Unix epoch; `records` by unit path."""

    def __init__(self, start_us: int) -> None:
        self.start_us = start_us
        self.until_us = start_us
        self.records: dict[str, Record] = {}

    def add(self, unit: str) -> Record:
        """Return the new record of a cell or zone."""
        return self.records.setdefault(unit, Record())

    def cells(self, unit: str) -> list[str]:
        """Return the paths of the cells that make up a site, line or cell, in order.

        Raises KeyError for a unit of which nothing is recorded.
        """
        cells = [path for path in self.records if path.count("/") == 2 and f"{path}/".startswith(f"{unit}/")]
        if not cells:
            raise KeyError(unit)
        return sorted(cells)

    def window(self, unit: str, start_us: int, end_us: int) -> Account:
        """Return the account of [start_us, end_us) of a zone or cell, or the sum over the cells of a line or site.

        Raises KeyError for an unknown unit and ValueError for a window beyond what was simulated.
        """
        if not self.start_us <= start_us <= end_us <= self.until_us:
            raise ValueError(f"the truth covers [{self.start_us}, {self.until_us}), not [{start_us}, {end_us})")
        account = Account(dict.fromkeys(STATES, 0), {}, dict.fromkeys(RESULTS, 0), dict.fromkeys(RESULTS, 0), 0)
        timed = [unit] if unit in self.records else self.cells(unit)
        for path in timed:
            _add_time(account, self.records[path].spans(start_us, end_us))
        return _with_counts(account, [self.records[path] for path in self._zones(unit)], start_us, end_us)

    def _zones(self, unit: str) -> list[str]:
        return [path for path in self.records if path.count("/") == 3 and f"{path}/".startswith(f"{unit}/")]


def _sum(one: dict[_Key, int], other: dict[_Key, int]) -> dict[_Key, int]:
    return {key: one.get(key, 0) + other.get(key, 0) for key in {**one, **other}}


def _add_time(account: Account, spans: Iterable[tuple[int, int, Standing]]) -> None:
    for begun_us, ended_us, standing in spans:
        account.time_us[standing[0]] += ended_us - begun_us
        account.reason_us[standing] = account.reason_us.get(standing, 0) + ended_us - begun_us


def _with_counts(account: Account, zones: list[Record], start_us: int, end_us: int) -> Account:
    passes = 0
    for zone in zones:
        passes += len(zone.passes_in(start_us, end_us))
        for made in zone.made_in(start_us, end_us):
            account.first[made.first] += 1
            account.final[made.final] += 1
    return Account(account.time_us, account.reason_us, account.first, account.final, passes)
