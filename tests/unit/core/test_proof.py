"""Whether a run shows what was promised: held against published bounds, and against runs as long as it asks for."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.figures import HOUR_US, Account
from zoneledger.core.proof import (
    availability_range,
    judge_durations,
    judge_mean_time,
    judge_pieces,
    judge_yield,
    oee_range,
    pieces_of,
    rate_range,
)

HOUR_S = 3600.0
#: That of ten pieces of an hour.
PLANNED_S = 10 * HOUR_S


def _piece(running_h: float, made: int = 0, unknown_h: float = 0.0, unseen: int = 0) -> Account:
    """Return the account of an hour, each fastener good and with a standard of 18 s."""
    piece = Account(planned_us=HOUR_US, running_us=round(running_h * HOUR_US), unknown_us=round(unknown_h * HOUR_US))
    piece.count("good", "good", made, 18_000_000)
    piece.miss(unseen)
    return piece


def test_the_mean_time_between_failures_of_a_handbooks_run() -> None:
    # MIL-HDBK-338B 8.3.2.5.2 (from memory): 1510 h, 7 failures: 215.714 h, at 90 % at least 128.28 h.
    run = (1510 * HOUR_S, 7, 2000 * HOUR_S, 0.9)
    shown, not_shown, failed = (judge_mean_time(target * HOUR_S, *run) for target in (128.2, 128.3, 500))
    assert shown.measured == pytest.approx(215.714 * HOUR_S, rel=1e-5)
    assert shown.lowest == pytest.approx(128.28 * HOUR_S, rel=5e-5)
    assert [one.verdict for one in (shown, not_shown, failed)] == ["shown", "not_shown", "failed"]
    assert shown.longer_s is None
    assert failed.longer_s is None


def test_a_run_without_failures_is_to_be_as_long_as_the_handbook_says() -> None:
    # NIST/SEMATECH e-Handbook 8.4.5.1: no failure in 800 h shows 267.05 h at 95 %; planned time is twice the running time here.
    judged = judge_mean_time(300 * HOUR_S, 800 * HOUR_S, 0, 1600 * HOUR_S, 0.95)
    assert (judged.measured, judged.highest, judged.verdict) == (None, None, "not_shown")
    assert judged.lowest == pytest.approx(267.05 * HOUR_S, rel=5e-5)
    assert judged.longer_s == pytest.approx(2 * (300 * 800 / 267.0466 - 800) * HOUR_S, rel=1e-4)
    assert judge_mean_time(267 * HOUR_S, 800 * HOUR_S, 0, 1600 * HOUR_S, 0.95).verdict == "shown"


def test_a_yield_is_judged_by_its_published_bounds() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 is 0.071354 to 0.401028 at 95 % to either side.
    verdicts = [judge_yield(target, 4, 20, HOUR_S, 0.95).verdict for target in (0.0713, 0.0714, 0.401, 0.4011)]
    assert verdicts == ["shown", "not_shown", "not_shown", "failed"]


def test_pieces_are_judged_by_students_bounds_of_their_mean() -> None:
    # t of 0.95 with 9 degrees of freedom is 1.833 (table, from memory).
    pieces = [_piece(0.7), _piece(0.9)] * 5
    reach = 1.833 * sqrt(0.1**2 * 10 / 9) / sqrt(10)
    judged = judge_pieces(0.75, 0.8, pieces, availability_range, PLANNED_S, 0.95)
    assert judged.lowest == pytest.approx(0.8 - reach, abs=1e-4)
    assert judged.highest == pytest.approx(0.8 + reach, abs=1e-4)
    verdicts = [
        judge_pieces(t, 0.8, pieces, availability_range, PLANNED_S, 0.95).verdict for t in (0.73, 0.75, 0.85, 0.87)
    ]
    assert verdicts == ["shown", "not_shown", "not_shown", "failed"]


def test_a_run_of_the_length_asked_for_would_show_the_target() -> None:
    pieces = [_piece(0.7), _piece(0.9)] * 5
    judged = judge_pieces(0.77, 0.8, pieces, availability_range, PLANNED_S, 0.95)
    assert judged.verdict == "not_shown"
    assert judged.longer_s is not None
    needed = round(judged.longer_s / HOUR_S) + 10
    # With as many more values of the same mean and spread (the sample's own, of 10 values).
    spread = sqrt(0.1**2 * 10 / 9)
    assert 0.8 - 1.645 * spread / sqrt(needed) == pytest.approx(0.77, abs=2e-3)


def test_unknown_time_counts_as_lost_for_the_lower_bound_and_as_run_for_the_upper() -> None:
    pieces = [_piece(0.7, unknown_h=0.1), _piece(0.9)] * 5
    assert availability_range(pieces[0]) == pytest.approx((0.7, 0.8))
    assert oee_range(_piece(0.7, made=100, unknown_h=0.1)) == pytest.approx((0.5, 0.6))
    assert rate_range(_piece(0.7, made=90, unknown_h=0.1)) == pytest.approx((90, 100))
    whole = judge_pieces(0.73, 0.8, [_piece(0.7), _piece(0.9)] * 5, availability_range, PLANNED_S, 0.95)
    assert whole.verdict == "shown"
    assert (
        judge_pieces(
            0.73, 0.8, [_piece(0.6, unknown_h=0.1), _piece(0.9)] * 5, availability_range, PLANNED_S, 0.95
        ).verdict
        == "not_shown"
    )


def test_unseen_fasteners_are_no_proof() -> None:
    assert rate_range(_piece(0.7, made=90, unseen=10)) == (90, 100)
    assert rate_range(_piece(0.7, made=90, unseen=-10)) == (80, 90)


def test_durations_are_to_be_below_their_target() -> None:
    durations = [2400.0, 2600.0] * 10
    verdicts = [judge_durations(target, durations, HOUR_S, 0.95).verdict for target in (2400, 2500, 2530, 2600)]
    assert verdicts == ["failed", "not_shown", "not_shown", "shown"]
    assert judge_durations(2500, [2400.0], HOUR_S, 0.95).verdict == "not_measured"


def test_of_nothing_nothing_is_shown() -> None:
    assert judge_pieces(0.5, None, [], availability_range, PLANNED_S, 0.9).verdict == "not_measured"
    assert judge_pieces(0.5, None, [Account()] * 10, availability_range, PLANNED_S, 0.9).verdict == "not_measured"
    assert judge_yield(0.5, 0, 0, 0.0, 0.9) == (0.5, None, None, None, "not_measured", None)
    assert judge_mean_time(5.0, 0.0, 0, 0.0, 0.9).verdict == "not_measured"
    never_ran = judge_mean_time(5.0, 0.0, 2, HOUR_S, 0.9)
    assert (never_ran.measured, never_ran.verdict) == (None, "not_measured")
    assert judge_durations(5.0, [], 0.0, 0.9).verdict == "not_measured"


def test_a_run_is_cut_into_pieces_of_about_an_hour() -> None:
    assert [pieces_of(hours * HOUR_US) for hours in (0, 1, 10, 40, 1000)] == [10, 10, 10, 40, 100]


@given(part=st.integers(0, 500), rest=st.integers(0, 500), target=st.floats(0.01, 0.99))
def test_what_is_shown_is_not_failed_and_only_what_is_not_shown_asks_for_more(
    part: int, rest: int, target: float
) -> None:
    judged = judge_yield(target, part, part + rest, HOUR_S, 0.9)
    if judged.verdict == "shown":
        assert judged.lowest is not None
        assert judged.lowest >= target
        assert judged.longer_s is None
    if judged.verdict == "failed":
        assert judged.highest is not None
        assert judged.highest < target
        assert judged.longer_s is None
    if judged.longer_s is not None and judged.measured is not None:
        assert judged.measured > target
        good = int(part * (1 + judged.longer_s / HOUR_S) * 1.01) + 1
        longer = judge_yield(target, good, int(good / judged.measured), HOUR_S, 0.9)
        assert longer.verdict == "shown"
