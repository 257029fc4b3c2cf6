"""An acceptance run: what was promised of a unit, what was measured, and whether that shows the promise at a confidence.

Each target is judged by itself. It is *shown* where the bound on its unfavourable side meets it, *failed* where not even the bound on
its favourable side does, else *not shown*: the run was too short, or the true value lies too near.
"""

from collections.abc import Callable, Iterable, Sequence
from math import sqrt
from typing import Literal, NamedTuple

from zoneledger.core.bounds import (
    exact_ratio_highest,
    exact_ratio_lowest,
    longer_without_failure,
    mean_bounds,
    mean_time_highest,
    mean_time_lowest,
    spread_of,
    student,
)
from zoneledger.core.figures import HOUR_US, Account, figures_of

#: The version of the methods by which runs are judged. It rises when they change: a frozen run says by which it was judged.
METHOD = 1

Verdict = Literal["shown", "not_shown", "failed", "not_measured"]

#: Planned time is cut into pieces of about an hour, at least and at most so many.
FEWEST_PIECES, MOST_PIECES = 10, 100
#: No run is asked for that would be longer than so many times the one that was made.
MOST_TIMES = 10_000.0


class Judged(NamedTuple):
    """What a run says of a target: `longer_s` is how much more planned time would show it, if all went on as measured.

    `lowest` and `highest` are one-sided bounds, each at the confidence; None where nothing tells one. `longer_s` is None where the
    target is shown already, and where no longer run would show it. Of a line it is time of its shifts, not summed over its cells:
    `planned_s`, wherever it is asked for here, is such time.
    """

    target: float
    measured: float | None
    lowest: float | None
    highest: float | None
    verdict: Verdict
    longer_s: float | None


def pieces_of(planned_us: int) -> int:
    """Return into how many pieces of equal planned time a run is cut."""
    return min(max(round(planned_us / HOUR_US), FEWEST_PIECES), MOST_PIECES)


def _judge(target: float, lowest: float | None, highest: float | None, *, more_is_better: bool) -> Verdict:
    if lowest is None and highest is None:
        return "not_measured"
    unfavourable, favourable = (lowest, highest) if more_is_better else (highest, lowest)
    sign = 1 if more_is_better else -1
    if unfavourable is not None and sign * unfavourable >= sign * target:
        return "shown"
    return "failed" if favourable is not None and sign * favourable < sign * target else "not_shown"


def _times_until(shows: Callable[[float], bool]) -> float | None:
    """Return how many times as long a run has to be until it shows its target, None where MOST_TIMES is not enough."""
    if not shows(MOST_TIMES):
        return None
    low, high = 1.0, MOST_TIMES
    while high - low > 1e-6 * high:
        middle = (low + high) / 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def _judged(
    target: float,
    measured: float | None,
    bounds: tuple[float | None, float | None],
    longer: Callable[[float], bool],
    planned_s: float,
    *,
    more_is_better: bool = True,
) -> Judged:
    verdict = _judge(target, *bounds, more_is_better=more_is_better)
    times = _times_until(longer) if verdict in ("not_shown", "failed") and measured is not None else None
    return Judged(target, measured, *bounds, verdict, None if times is None else (times - 1) * planned_s)


Range = Callable[[Account], tuple[float | None, float | None]]
"""Gives the lowest and highest value that a piece of the run may have had, its unknown time and fasteners taken either way."""


def availability_range(piece: Account) -> tuple[float | None, float | None]:
    """Return the availability of a piece, unknown time lost or run."""
    if not piece.planned_us:
        return None, None
    return piece.running_us / piece.planned_us, (piece.running_us + piece.unknown_us) / piece.planned_us


def oee_range(piece: Account) -> tuple[float | None, float | None]:
    """Return the OEE of a piece between its bounds."""
    figures = figures_of(piece)
    return figures.oee_low, figures.oee_high


def rate_range(piece: Account) -> tuple[float | None, float | None]:
    """Return the fasteners made per planned hour of a piece: in unknown time none or as many as else, unseen ones not or all."""
    if not piece.planned_us:
        return None, None
    known_us = piece.planned_us - piece.unknown_us
    lowest = max(0, piece.made - piece.unseen_fewer) * HOUR_US / piece.planned_us
    return lowest, (piece.made + piece.unseen_more) * HOUR_US / known_us if known_us else None


def judge_pieces(
    target: float,
    measured: float | None,
    pieces: Sequence[Account],
    range_of: Range,
    planned_s: float,
    confidence: float,
) -> Judged:
    """Judge a figure that is a mean over pieces of equal planned time, by Student's t over the pieces."""
    lows, highs = zip(*map(range_of, pieces), strict=True) if pieces else ((), ())
    lowest, highest = _bound(lows, confidence, 0), _bound(highs, confidence, 1)
    longer = _mean_shows(_told(lows), target, confidence, sign=1)
    return _judged(target, measured, (lowest, highest), longer, planned_s)


def _told(values: Sequence[float | None]) -> list[float]:
    return [one for one in values if one is not None]


def _bound(values: Sequence[float | None], confidence: float, side: int) -> float | None:
    """Return a one-sided bound of a mean, None where not each piece tells its value."""
    return None if None in values else mean_bounds(_told(values), confidence)[side]


def _mean_shows(values: Sequence[float], target: float, confidence: float, *, sign: int) -> Callable[[float], bool]:
    """Tell of so many times as many values with the same mean and spread whether their bound would meet a target."""
    spread = spread_of(values)

    def shows(times: float) -> bool:
        if spread is None:
            return False
        number, mean = times * len(values), sum(values) / len(values)
        return sign * (mean - target) >= student(confidence, number) * spread / sqrt(number)

    return shows


def judge_yield(target: float, part: int, whole: int, planned_s: float, confidence: float) -> Judged:
    """Judge a first-pass yield, `part` of `whole`, by Clopper and Pearson's bounds, which are never too narrow."""
    bounds = exact_ratio_lowest(part, whole, confidence), exact_ratio_highest(part, whole, confidence)

    def shows(times: float) -> bool:
        lowest = exact_ratio_lowest(part * times, whole * times, confidence)
        return lowest is not None and lowest >= target

    return _judged(target, part / whole if whole else None, bounds, shows, planned_s)


def judge_mean_time(target_s: float, running_s: float, failures: int, planned_s: float, confidence: float) -> Judged:
    """Judge a mean time between failures of a run ended by time, by the chi-square bounds."""
    bounds = mean_time_lowest(running_s, failures, confidence), mean_time_highest(running_s, failures, confidence)
    measured = running_s / failures if failures and running_s else None

    def shows(times: float) -> bool:
        lowest = mean_time_lowest(running_s * times, failures * times, confidence)
        return lowest is not None and lowest >= target_s

    judged = _judged(target_s, measured, bounds, shows, planned_s)
    if failures or judged.verdict != "not_shown" or not running_s:
        return judged
    more_s = (longer_without_failure(target_s, confidence) - running_s) * planned_s / running_s
    return judged._replace(longer_s=max(0.0, more_s))


def judge_durations(target_s: float, durations_s: Sequence[float], planned_s: float, confidence: float) -> Judged:
    """Judge the mean of durations that is to be at most the target, by Student's t."""
    mean = sum(durations_s) / len(durations_s) if durations_s else None
    shows = _mean_shows(durations_s, target_s, confidence, sign=-1)
    bounds = mean_bounds(durations_s, confidence)
    return _judged(target_s, mean, bounds, shows, planned_s, more_is_better=False)


def overall(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the verdict on a run of several targets: failed if any is, else not shown if any is not, else shown."""
    found = list(verdicts)
    if "failed" in found:
        return "failed"
    return next((one for one in ("not_measured", "not_shown") if one in found), "shown")
