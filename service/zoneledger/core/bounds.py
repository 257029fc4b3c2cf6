"""Where a true value lies, at a confidence, given how much was measured; a bound that nothing tells is None.

A confidence is 0 to 1, both ends not included. Two-sided bounds leave half of the rest on either side. scipy's special functions
are pure: the same numbers give the same bounds.
"""

from collections.abc import Sequence
from math import log, sqrt

from scipy.special import betaincinv, gammaincinv, ndtri, stdtrit

Bounds = tuple[float | None, float | None]


def _chi2(probability: float, degrees: float) -> float:
    """Return the value that a chi-square variable stays below with a probability."""
    return 2 * float(gammaincinv(degrees / 2, probability))


def _wilson(part: float, whole: float, z: float) -> float:
    centre, spread = part + z * z / 2, z * sqrt(part * (whole - part) / whole + z * z / 4)
    # Exact at its ends, where rounding would leave a bound a hair off 0 or 1.
    if (part == 0 and z < 0) or (part == whole and z > 0):
        return float(part == whole)
    return (centre + spread) / (whole + z * z)


def ratio_lowest(part: float, whole: float, confidence: float) -> float | None:
    """Return Wilson's one-sided lower bound of a ratio of counts (NIST/SEMATECH e-Handbook 7.2.4.1)."""
    return _wilson(part, whole, -float(ndtri(confidence))) if whole else None


def ratio_highest(part: float, whole: float, confidence: float) -> float | None:
    """Return Wilson's one-sided upper bound of a ratio of counts."""
    return _wilson(part, whole, float(ndtri(confidence))) if whole else None


def ratio_bounds(part: int, whole: int, confidence: float) -> Bounds:
    """Return Wilson's two-sided bounds of a ratio of counts, `part` of `whole`."""
    each = (1 + confidence) / 2
    return ratio_lowest(part, whole, each), ratio_highest(part, whole, each)


def exact_ratio_lowest(part: float, whole: float, confidence: float) -> float | None:
    """Return Clopper and Pearson's one-sided lower bound, which never holds less often than said (e-Handbook 7.2.4.2)."""
    if not whole:
        return None
    return float(betaincinv(part, whole - part + 1, 1 - confidence)) if part else 0.0


def exact_ratio_highest(part: float, whole: float, confidence: float) -> float | None:
    """Return Clopper and Pearson's one-sided upper bound."""
    if not whole:
        return None
    return float(betaincinv(part + 1, whole - part, confidence)) if part < whole else 1.0


def mean_time_lowest(total_s: float, failures: float, confidence: float) -> float | None:
    """Return the lower bound of the mean time between failures of a test ended by time (e-Handbook 8.4.5.1), in seconds."""
    return 2 * total_s / _chi2(confidence, 2 * failures + 2) if total_s > 0 else None


def mean_time_highest(total_s: float, failures: float, confidence: float) -> float | None:
    """Return the upper bound of the same; without a failure there is none, and of no time nothing is told."""
    return 2 * total_s / _chi2(1 - confidence, 2 * failures) if failures and total_s > 0 else None


def mean_time_bounds(total_s: float, failures: int, confidence: float) -> Bounds:
    """Return the two-sided bounds of the mean time between failures; without a failure the lower one alone, one-sided."""
    if not failures:
        return mean_time_lowest(total_s, 0, confidence), None
    each = (1 + confidence) / 2
    return mean_time_lowest(total_s, failures, each), mean_time_highest(total_s, failures, each)


def mean_duration_bounds(total_s: float, number: int, confidence: float) -> Bounds:
    """Return the two-sided bounds of the mean of `number` exponential durations, each whole, that last `total_s` together."""
    if not number:
        return None, None
    each = (1 + confidence) / 2
    return 2 * total_s / _chi2(each, 2 * number), 2 * total_s / _chi2(1 - each, 2 * number)


def spread_of(values: Sequence[float]) -> float | None:
    """Return the standard deviation of a sample, None of fewer than two values."""
    if len(values) < 2:
        return None
    mean = sum(values) / len(values)
    return sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))


def student(confidence: float, number: float) -> float:
    """Return how many standard errors a mean of so many values lies at most from the true one, to one side."""
    return float(stdtrit(number - 1, confidence))


def mean_bounds(values: Sequence[float], confidence: float) -> Bounds:
    """Return the one-sided lower and the one-sided upper bound of the mean of independent values, by Student's t."""
    spread = spread_of(values)
    if spread is None:
        return None, None
    mean, reach = sum(values) / len(values), student(confidence, len(values)) * spread / sqrt(len(values))
    return mean - reach, mean + reach


def trend(at: Sequence[float], total: float) -> float | None:
    """Return Laplace's score of failures at times after the begin of [0, total]: near 0 at a constant rate, above where it rises.

    The score of a constant rate is normal with mean 0 and deviation 1, nearly so from four failures on; None of fewer.
    """
    if len(at) < 4 or total <= 0:
        return None
    return (sum(at) / len(at) - total / 2) / (total * sqrt(1 / (12 * len(at))))


def longer_without_failure(target_s: float, confidence: float) -> float:
    """Return how long a test without failures has to be so that the mean time is shown to be at least `target_s`."""
    return -log(1 - confidence) * target_s
