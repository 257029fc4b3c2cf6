"""What panel passes add up to: the time inside each by kind, what was made in it, and floor-to-floor times by program."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from zoneledger.core import rates
from zoneledger.core.figures import ratio
from zoneledger.core.passes import ABORTED, COMPLETED, ENDED, FINISHED, UNFINISHED, Pass
from zoneledger.core.spans import Span, time_in_states
from zoneledger.core.states import CHANGEOVER, FAULT, IDLE, RUNNING, UNKNOWN

RESULTS = ("good", "rework", "reject")
Made = Mapping[tuple[str | None, str], int]
"""How many fasteners were made, by the panel that they name and by result after verdicts."""
#: What the time inside a pass is spent on.
KINDS = ("load", "setup", "process", "wait", "fault", "unload", UNKNOWN)
_KIND_OF_STATE = {RUNNING: "process", IDLE: "wait", FAULT: "fault", UNKNOWN: UNKNOWN}


@dataclass(frozen=True, slots=True)
class Inside:
    """The microseconds of a pass by kind, which sum to it; those of waits by what for, and of faults by code."""

    kinds: dict[str, int]
    waits: dict[str, int]
    faults: dict[str, int]


def time_inside(spans: Sequence[Span], start_us: int, end_us: int) -> Inside:
    """Return what a zone's time over [start_us, end_us) was spent on; `spans` are its own, sorted and disjoint."""
    inside = Inside(dict.fromkeys(KINDS, 0), {}, {})
    for (state, reason), length_us in time_in_states(spans, [(start_us, end_us)] if start_us < end_us else []).items():
        kind = str(reason) if state == CHANGEOVER else _KIND_OF_STATE[state]
        inside.kinds[kind] += length_us
        named = {"wait": inside.waits, "fault": inside.faults}.get(kind)
        if named is not None:
            named[str(reason)] = named.get(str(reason), 0) + length_us
    return inside


@dataclass(frozen=True, slots=True)
class Share:
    """A pass's fasteners by result, and how many were made in its time that name another panel than it does."""

    results: dict[str, int]
    of_other_panels: int


def share_of(one: Pass, own: Made, before: Pass | None, before_own: Made, between: Made) -> Share:
    """Return a pass's share of the fasteners that its zone made: in its time (`own`), in that of the pass `before`, and `between`.

    A fastener's own panel wins over that of the pass in whose time it was made: one that names another panel was made for the
    next pass, where that is of this panel, as where the evidence of a change of panels was lost. So were those made between.
    """
    results = dict.fromkeys(RESULTS, 0)
    others = 0
    for (panel, result), number in own.items():
        if _names_another(panel, one):
            others += number
        else:
            results[result] += number
    for made, is_free in ((before_own, before is not None and _names_another(one.panel, before)), (between, True)):
        for (panel, result), number in made.items():
            if is_free and panel is not None and panel == one.panel:
                results[result] += number
    return Share(results, others)


def _names_another(panel: str | None, one: Pass) -> bool:
    return None not in (panel, one.panel) and panel != one.panel


def left_for_hand(planned: int | None, made: int) -> int | None:
    """Return how many of the planned fasteners, automatic and manual, the cell did not make; None where none were told.

    One that was made and is to be reworked, or is lost, was made: it is not left, but wrong.
    """
    return None if planned is None else max(0, planned - made)


def automation_level(made: int, planned: int | None) -> float | None:
    """Return the fasteners that the cell made of those planned, automatic and manual; above 1 where it made some twice."""
    return None if planned is None else ratio(made, planned)


def quantile(ordered: Sequence[int], share: float) -> float | None:
    """Return the quantile of values in ascending order by linear interpolation between order statistics, None of none.

    Of n values it lies at the place (n - 1) x share, counted from 0: definition 7 of Hyndman and Fan (1996, from memory).
    """
    return rates.quantile([(one, 1) for one in ordered], share)


@dataclass(slots=True)
class ProgramPasses:
    """The passes of one program that are over: how many by outcome, and what counts towards its figures.

    `whole_us` are the floor-to-floor times of those that were completed and seen as a whole, ascending. `made` and `planned` are
    the fasteners of finished passes whose planned counts were told, `unplanned` is the number of those whose were not.
    """

    program: str | None
    outcomes: dict[str, int] = field(default_factory=lambda: dict.fromkeys((COMPLETED, ABORTED, ENDED, UNFINISHED), 0))
    whole_us: list[int] = field(default_factory=list)
    made: int = 0
    planned: int = 0
    unplanned: int = 0

    @property
    def number(self) -> int:
        """How many there are."""
        return sum(self.outcomes.values())

    @property
    def mean_us(self) -> float | None:
        """The mean floor-to-floor time."""
        return ratio(sum(self.whole_us), len(self.whole_us))

    @property
    def automation_level(self) -> float | None:
        """The fasteners made by the cell / (planned automatic + manual), over finished passes."""
        return ratio(self.made, self.planned)

    def add(self, one: Pass, made: int) -> None:
        """Count a pass that is over."""
        self.outcomes[one.outcome] += 1
        if one.outcome == COMPLETED and one.floor_to_floor_us is not None:
            self.whole_us.append(one.floor_to_floor_us)
        if one.outcome in FINISHED and one.planned is None:
            self.unplanned += 1
        elif one.outcome in FINISHED and one.planned is not None:
            self.made += made
            self.planned += one.planned


def by_program(passes: Iterable[tuple[Pass, Mapping[str, int]]]) -> list[ProgramPasses]:
    """Return the sums of passes that are over, each with its fasteners by result, by program; those without one come last."""
    found: dict[str | None, ProgramPasses] = {}
    for one, results in passes:
        found.setdefault(one.program, ProgramPasses(one.program)).add(one, sum(results.values()))
    for sums in found.values():
        sums.whole_us.sort()
    return [found[name] for name in sorted(found, key=lambda name: (name is None, name or ""))]
