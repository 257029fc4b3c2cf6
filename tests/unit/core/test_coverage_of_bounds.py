"""Bounds hold as often as they say: 2,000 seeded plants of known truth, their bounds made as the service makes them.

What a method's bounds cover is not the confidence itself, since numbers of failures and of fasteners are whole. So the cases are
chosen where the published methods cover close to 0.9, worked out below from the Poisson and the binomial distribution; with fewer
failures the chi-square bounds cover more (of 20 expected ones 0.927), and Wilson's bounds swing around 0.9.
"""

from collections.abc import Callable
from random import Random

from scipy.stats import binom, poisson

from zoneledger.core.failures import Stretch, Tally, failure_figures_of
from zoneledger.core.rates import KindTally, Made

RUNS = 2_000
CONFIDENCE = 0.9
#: Of 300 expected failures the chi-square bounds of a test ended by time cover 0.906.
EXPECTED = 300
MTBF_S, MTTR_S = 3_600.0, 600.0
#: Of 1,000 fasteners with a true yield of 0.95 Wilson's bounds cover 0.906.
MADE, YIELD = 1_000, 0.95

Bounds = tuple[float | None, float | None]


def holds(bounds: Bounds, truth: float) -> bool:
    """Tell whether the truth lies within bounds."""
    low, high = bounds
    return (low is None or low <= truth) and (high is None or truth <= high)


def coverage(run: Callable[[Random], bool]) -> float:
    """Return in how many of the runs bounds held."""
    return sum(run(Random(seed)) for seed in range(RUNS)) / RUNS


def tally_of(repairs_s: list[float], running_s: float) -> Tally:
    """Return the tally of failures with these repair times."""
    us = [round(repair_s * 1e6) for repair_s in repairs_s]
    stretches = [Stretch(0, each, "x", each, each, counts=True, begin_seen=True, end_seen=True) for each in us]
    return Tally(round(running_s * 1e6), stretches)


def kind_of(good: int, number: int) -> KindTally:
    """Return what was made of a kind, so many good at once."""
    tally = KindTally()
    for result, count in (("good", good), ("reject", number - good)):
        tally.add(Made(0, "fasten", None, None, result, result, None, count), None)
    return tally


def mtbf_holds(chance: Random) -> bool:
    """Let a cell of known mean time between failures run for a given time, and tell whether the bounds hold."""
    running_s, failures, at_s = EXPECTED * MTBF_S, 0, chance.expovariate(1 / MTBF_S)
    while at_s < running_s:
        failures, at_s = failures + 1, at_s + chance.expovariate(1 / MTBF_S)
    return holds(failure_figures_of(tally_of([1.0] * failures, running_s), CONFIDENCE).mtbf_bounds_s, MTBF_S)


def mttr_holds(chance: Random) -> bool:
    """Let twenty repairs of known mean take their time, and tell whether the bounds hold."""
    repairs_s = [chance.expovariate(1 / MTTR_S) for _ in range(20)]
    return holds(failure_figures_of(tally_of(repairs_s, 1.0), CONFIDENCE).mttr_bounds_s, MTTR_S)


def yield_holds(chance: Random) -> bool:
    """Make fasteners of a known yield, and tell whether the bounds hold."""
    good = sum(chance.random() < YIELD for _ in range(MADE))
    return holds(kind_of(good, MADE).first_pass(CONFIDENCE)[1], YIELD)


def test_the_bounds_of_the_mean_time_between_failures_hold_in_nine_of_ten_runs() -> None:
    exact = sum(
        poisson.pmf(failures, EXPECTED)
        for failures in range(3 * EXPECTED)
        if holds(failure_figures_of(tally_of([1.0] * failures, EXPECTED), CONFIDENCE).mtbf_bounds_s, 1.0)
    )
    assert abs(exact - CONFIDENCE) < 0.007
    assert 0.88 <= coverage(mtbf_holds) <= 0.92


def test_the_bounds_of_the_mean_time_to_repair_hold_in_nine_of_ten_runs() -> None:
    # Of exponential repair times, each whole, the chi-square bounds are exact.
    assert 0.88 <= coverage(mttr_holds) <= 0.92


def test_the_bounds_of_a_yield_hold_in_nine_of_ten_runs() -> None:
    exact = sum(
        binom.pmf(good, MADE, YIELD)
        for good in range(MADE + 1)
        if holds(kind_of(good, MADE).first_pass(CONFIDENCE)[1], YIELD)
    )
    assert abs(exact - CONFIDENCE) < 0.007
    assert 0.88 <= coverage(yield_holds) <= 0.92
