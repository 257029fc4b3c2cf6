"""Bounds against published tables and worked cases; the source stands beside each, and what comes from memory says so."""

import pytest

from zoneledger.core import bounds as b

# NIST/SEMATECH e-Handbook 8.4.5.1, factors on T/r, two-sided 90 % (formula read, table from memory).
FACTORS = {1: (0.2108, 19.4957), 2: (0.3177, 5.6281), 5: (0.4756, 2.5379), 10: (0.5895, 1.8432), 100: (0.8469, 1.1885)}


@pytest.mark.parametrize(("failures", "factors"), FACTORS.items())
def test_mean_time_between_failures_has_the_handbooks_factors(failures: int, factors: tuple[float, float]) -> None:
    found = b.mean_time_bounds(failures, failures, 0.9)
    assert list(found) == pytest.approx(list(factors), abs=6e-5)


def test_two_failures_in_800_hours() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1 (formula read; the case recomputed).
    assert list(b.mean_time_bounds(800, 2, 0.9)) == pytest.approx([127.07, 2251.23], abs=0.005)


def test_no_failure_gives_a_lower_bound_only() -> None:
    # The same page: no failure in 800 h, 95 %.
    low, high = b.mean_time_bounds(800, 0, 0.95)
    assert low == pytest.approx(267.05, abs=0.005)
    assert high is None
    assert b.longer_without_failure(267.0466, 0.95) == pytest.approx(800, rel=1e-5)


def test_the_case_of_a_reliability_handbook() -> None:
    # MIL-HDBK-338B 8.3.2.5.2 (from memory): 1510 h, 7 failures, mean 215.714 h.
    assert pytest.approx(215.714, abs=5e-4) == 1510 / 7
    assert b.mean_time_lowest(1510, 7, 0.9) == pytest.approx(128.28, abs=0.005)
    assert list(b.mean_time_bounds(1510, 7, 0.9)) == pytest.approx([114.85, 459.62], abs=0.005)


def test_a_planner_of_tests_agrees() -> None:
    # PyPI reliability 0.9.0, reliability_test_planner(test_duration=19520, CI=0.8, number_of_failures=7, one_sided=False).
    assert b.mean_time_bounds(19520, 7, 0.8)[0] == pytest.approx(1658.3248534993454, rel=1e-12)


def test_wilsons_bounds_of_a_ratio() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1 (formula read): 26 of 200; 0 of 1200.
    assert list(b.ratio_bounds(26, 200, 0.95)) == pytest.approx([0.0902820, 0.1836635], abs=6e-8)
    assert b.ratio_lowest(26, 200, 0.95) == pytest.approx(0.09577, abs=5e-6)
    assert list(b.ratio_bounds(0, 1200, 0.95)) == pytest.approx([0, 0.0031910], abs=6e-8)
    assert list(b.ratio_bounds(1200, 1200, 0.95)) == pytest.approx([1 - 0.0031910, 1], abs=6e-8)
    assert b.ratio_lowest(0, 1200, 0.95) == 0


def test_exact_bounds_of_a_ratio() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20, 90 %, of which 5 % lie on either side.
    assert b.exact_ratio_lowest(4, 20, 0.95) == pytest.approx(0.071354, abs=6e-7)
    assert b.exact_ratio_highest(4, 20, 0.95) == pytest.approx(0.401028, abs=6e-7)
    assert b.exact_ratio_lowest(0, 20, 0.95) == 0
    assert b.exact_ratio_highest(20, 20, 0.95) == 1


def test_of_nothing_nothing_is_told() -> None:
    assert b.ratio_bounds(0, 0, 0.9) == (None, None)
    assert (b.exact_ratio_lowest(0, 0, 0.9), b.exact_ratio_highest(0, 0, 0.9)) == (None, None)
    assert b.mean_time_bounds(0, 0, 0.9) == (None, None)
    assert b.mean_time_bounds(0, 3, 0.9) == (None, None)
    assert b.mean_duration_bounds(0, 0, 0.9) == (None, None)
    assert b.mean_bounds([4.0], 0.9) == (None, None)
    assert b.trend([1, 2, 3], 9) is None


def test_students_bounds_of_a_mean() -> None:
    # Student's table (from memory): t of 0.95 with 9 degrees of freedom is 1.833.
    values = [10.0, 12.0] * 5
    reach = 1.833 * (10 / 9) ** 0.5 / 10**0.5
    assert list(b.mean_bounds(values, 0.95)) == pytest.approx([11 - reach, 11 + reach], abs=2e-4)


def test_laplaces_score_is_0_at_a_constant_rate_and_rises_with_the_rate() -> None:
    assert b.trend([10, 30, 50, 70, 90], 100) == pytest.approx(0)
    # By hand: the mean lies 20 above 50, in units of 100 / sqrt(12 x 5).
    assert b.trend([50, 60, 70, 80, 90], 100) == pytest.approx(20 / (100 / 60**0.5))
    early = b.trend([10, 20, 30, 40, 50], 100)
    assert early is not None
    assert early < -1.5
