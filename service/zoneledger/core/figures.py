"""The figures of a unit and a window, from its account of time and fasteners.

Formulas follow ISO 22400-2 (availability, effectiveness, quality ratio, OEE index, NEE index), with fields named in plain
words; docs/figures.md maps them to the standard's symbols. Accounts add up (cells to lines, shifts to days); figures never do.
"""

from dataclasses import dataclass, field, fields

from zoneledger.core.given import GivenTimes
from zoneledger.core.states import CHANGEOVER, FAULT, IDLE, RUNNING, UNKNOWN

HOUR_US = 3_600_000_000

Reasons = dict[tuple[str, str], int]
"""Microseconds by (state, reason)."""


@dataclass(slots=True)
class Account:
    """What figures are read off: times in microseconds, fasteners by number; all of planned time unless said.

    `standard_us` and those by result are the standard times of the rated fasteners made, `slowest_us` that of the slowest kind
    of them. `first_good` and its like count the same fasteners by first result, before any verdict.
    `calendar_us` is the window itself, `zone_changeover_us` the changeover of the zones, `masked_us` the part of it
    during which another zone of the cell ran or waited for nothing but the head.
    """

    calendar_us: int = 0
    planned_us: int = 0
    running_us: int = 0
    idle_us: int = 0
    fault_us: int = 0
    changeover_us: int = 0
    unknown_us: int = 0
    standard_us: int = 0
    good_standard_us: int = 0
    rework_standard_us: int = 0
    reject_standard_us: int = 0
    slowest_us: int = 0
    zone_changeover_us: int = 0
    masked_us: int = 0
    made: int = 0
    good: int = 0
    rework: int = 0
    reject: int = 0
    first_good: int = 0
    first_rework: int = 0
    first_reject: int = 0
    unrated: int = 0
    outside_planned: int = 0
    unseen_more: int = 0
    unseen_fewer: int = 0
    reasons: Reasons = field(default_factory=dict)
    given: GivenTimes = field(default_factory=dict)

    def __add__(self, other: "Account") -> "Account":
        total = Account(**{name: getattr(self, name) + getattr(other, name) for name in _ADDED})
        total.slowest_us = max(self.slowest_us, other.slowest_us)
        total.reasons = dict(self.reasons)
        for key, length_us in other.reasons.items():
            total.reasons[key] = total.reasons.get(key, 0) + length_us
        total.given = dict(self.given)
        total.book_given(other.given)
        return total

    @property
    def unseen(self) -> int:
        """How many fasteners more the controllers count than were received; below 0 where they count fewer."""
        return self.unseen_more - self.unseen_fewer

    def miss(self, unseen: int) -> None:
        """Add fasteners of one zone that its controller counts beside those received; below 0: counts fewer.

        Those of one zone that are missing say nothing of those that another one has too many.
        """
        self.unseen_more += max(0, unseen)
        self.unseen_fewer += max(0, -unseen)

    def book(self, times: dict[tuple[str, str | None], int]) -> None:
        """Add time by (state, reason), in microseconds."""
        for (state, reason), length_us in times.items():
            self._add(f"{state}_us", length_us)
            key = state, reason or ""
            self.reasons[key] = self.reasons.get(key, 0) + length_us

    def book_given(self, times: GivenTimes) -> None:
        """Add which of the time booked has a reason that people gave, in microseconds; the time itself is not booked anew."""
        for key, length_us in times.items():
            self.given[key] = self.given.get(key, 0) + length_us

    def count(self, first: str, result: str, number: int, rate_us: int | None) -> None:
        """Add fasteners of planned time with their first and last result and the standard time of one (None: unrated)."""
        self._add("made", number)
        self._add(f"first_{first}", number)
        self._add(result, number)
        if rate_us is None:
            self._add("unrated", number)
            return
        self._add("standard_us", number * rate_us)
        self._add(f"{result}_standard_us", number * rate_us)
        self.slowest_us = max(self.slowest_us, rate_us)

    def _add(self, name: str, number: int) -> None:
        setattr(self, name, getattr(self, name) + number)


_ADDED = tuple(f.name for f in fields(Account) if f.name not in ("reasons", "given", "slowest_us"))

assert {f"{state}_us" for state in (RUNNING, IDLE, FAULT, CHANGEOVER, UNKNOWN)} <= set(_ADDED)


def ratio(part: float, whole: float) -> float | None:
    """Return part / whole, None where the whole is zero."""
    return None if whole == 0 else part / whole


@dataclass(frozen=True, slots=True)
class Figures:
    """Ratios (0 to 1, performance may be above) and rates per hour; None where there is nothing to divide by."""

    availability: float | None
    performance: float | None
    quality: float | None
    oee: float | None
    oee_low: float | None
    oee_high: float | None
    nee: float | None
    teep: float | None
    known: float | None
    utilisation: float | None
    masked_changeover: float | None
    made_per_planned_hour: float | None
    made_per_running_hour: float | None
    good_per_planned_hour: float | None
    first_pass_yield: float | None
    rework_ratio: float | None
    reject_ratio: float | None


def oee_bounds(account: Account) -> tuple[float | None, float | None]:
    """Return between what the OEE lies if all were known.

    Lowest: nothing good was made in unknown time, and fasteners that the controller did not count were not made, of the slowest
    kind. Highest: unknown time was all good at the standard's pace, and so was running time that no standard explains, as far as
    fasteners without a standard, or unseen ones, may explain it.
    """
    a = account
    unexplained_us = max(0, a.running_us - a.standard_us)
    is_open = a.unrated or (a.unseen_more and not a.slowest_us)
    doubt_us = unexplained_us if is_open else min(a.unseen_more * a.slowest_us, unexplained_us)
    low_us = max(0, a.good_standard_us - a.unseen_fewer * a.slowest_us)
    return ratio(low_us, a.planned_us), ratio(a.good_standard_us + a.unknown_us + doubt_us, a.planned_us)


def figures_of(account: Account) -> Figures:
    """Return the figures of an account.

    Where fasteners were made and none of them has a standard, or some were made and none was seen, performance and all
    that rests on it is None; where none were made, the standard time is zero, and so is OEE. Where nothing at all is
    known of planned time, nothing is called zero.
    """
    a = account
    known_us = a.planned_us - a.unknown_us
    rated = a.made > a.unrated or (a.made == 0 and not a.unseen_more)
    seen = known_us > 0 or a.made > 0
    low, high = oee_bounds(a)
    oee = ratio(a.good_standard_us, known_us) if rated else None
    nee = None if oee is None or a.running_us == 0 else oee * (a.running_us + a.changeover_us) / a.running_us
    return Figures(
        availability=ratio(a.running_us, known_us),
        performance=ratio(a.standard_us, a.running_us) if rated else None,
        quality=ratio(a.good_standard_us, a.standard_us),
        oee=oee,
        oee_low=low,
        oee_high=high,
        nee=nee,
        teep=ratio(a.good_standard_us, a.calendar_us) if rated and seen else None,
        known=ratio(known_us, a.planned_us),
        utilisation=ratio(a.running_us, a.planned_us) if known_us > 0 else None,
        masked_changeover=ratio(a.masked_us, a.zone_changeover_us),
        made_per_planned_hour=ratio(a.made * HOUR_US, a.planned_us) if seen else None,
        made_per_running_hour=ratio(a.made * HOUR_US, a.running_us),
        good_per_planned_hour=ratio(a.good * HOUR_US, a.planned_us) if seen else None,
        first_pass_yield=ratio(a.first_good, a.made),
        rework_ratio=ratio(a.first_rework, a.made),
        reject_ratio=ratio(a.first_reject, a.made),
    )
