"""The figures of bare accounts, held against published cases (their sources stand beside each)."""

from dataclasses import fields, replace
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.figures import HOUR_US, Account, Figures, figures_of, ratio

MINUTE_US = 60_000_000


def _account(running: float, planned: float, **minutes: float) -> Account:
    """Return an account of minutes; what is not told of planned time is idle."""
    told = sum(minutes.get(name, 0) for name in ("fault", "changeover", "unknown")) + running
    account = Account(planned_us=round(planned * MINUTE_US), calendar_us=round(planned * MINUTE_US))
    account.running_us, account.idle_us = round(running * MINUTE_US), round((planned - told) * MINUTE_US)
    for name, length in minutes.items():
        setattr(account, f"{name}_us", round(length * MINUTE_US))
    return account


def _count(account: Account, rate_min: float, **results: int) -> Account:
    for result, number in results.items():
        account.count(result, result, number, round(rate_min * MINUTE_US))
    return account


def test_iso_22400_2() -> None:
    """[own] minutes: PBT 480 = ADOT 30 + ADET 40 + AUST 50 + APT 360; PRI 0.3; PQ 1000, GQ 950, SQ 20, RQ 30."""
    account = _count(_account(360, 480, fault=40, changeover=50), 0.3, good=950, rework=30, reject=20)
    figures = figures_of(account)
    assert figures.availability == 0.75
    assert figures.performance == pytest.approx(0.833333, abs=5e-7)
    assert figures.quality == 0.95
    assert figures.oee == 0.59375
    assert figures.nee == pytest.approx(0.676215, abs=5e-7)
    assert figures.made_per_planned_hour == 125
    assert figures.made_per_running_hour == pytest.approx(1000 / 6)
    assert figures.good_per_planned_hour == 118.75


def test_nakajima_introduction_to_tpm_1988() -> None:
    """[read in a training course that reproduces it] loading 460, downtime 60; output 400, rejects 8; ideal cycle 0.5."""
    figures = figures_of(_count(_account(400, 460, fault=20, changeover=20), 0.5, good=392, reject=8))
    assert figures.availability == pytest.approx(0.869565, abs=5e-7)
    assert figures.performance == 0.5
    assert figures.quality == 0.98
    assert figures.oee == pytest.approx(0.426087, abs=5e-7)


def test_the_textbook_bearing() -> None:
    """[inputs read, book from memory: Besterfield, TQM] 4800 min, downtime 380 + 675; 1235 made, 35 bad; 2.88 min."""
    figures = figures_of(_count(_account(3745, 4800, fault=675, changeover=380), 2.88, good=1200, reject=35))
    assert figures.availability == pytest.approx(0.780208, abs=5e-7)
    assert figures.performance == pytest.approx(0.949746, abs=5e-7)
    assert figures.quality == pytest.approx(0.971660, abs=5e-7)
    assert figures.oee == pytest.approx(0.72, abs=5e-7)


def test_the_textbook_bearing_with_a_slow_standard_is_shown_above_1() -> None:
    figures = figures_of(_count(_account(3745, 4800), 3.2, good=1200, reject=35))
    assert figures.performance == pytest.approx(1.0553, abs=5e-5)
    assert figures.oee == pytest.approx(0.80, abs=5e-7)


def test_several_standards_in_one_run_weigh_by_their_time() -> None:
    """[own] planned 460 min, running 400; 300 at 0.5, 100 at 1.2, 20 at 2.0 min; good 294, 95, 20."""
    account = _account(400, 460)
    for rate, good, reject in ((0.5, 294, 6), (1.2, 95, 5), (2.0, 20, 0)):
        _count(account, rate, good=good, reject=reject)
    figures = figures_of(account)
    assert figures.availability == pytest.approx(0.869565, abs=5e-7)
    assert figures.performance == pytest.approx(0.775, abs=5e-7)
    assert figures.quality == pytest.approx(0.970968, abs=5e-7)
    assert figures.oee == pytest.approx(0.654348, abs=5e-7)


def test_shifts_together_are_no_mean_of_their_percentages() -> None:
    """[own] shift 1: planned 480, running 400, standard 360, good 351; shift 2: 240, 120, 90, 81."""
    one = _count(_count(_account(400, 480), 351, good=1), 9, reject=1)
    two = _count(_count(_account(120, 240), 81, good=1), 9, reject=1)
    both = figures_of(one + two)
    assert figures_of(one).oee == 0.73125
    assert figures_of(two).oee == 0.3375
    assert both.oee == pytest.approx(0.60)
    assert both.availability == pytest.approx(0.722222, abs=5e-7)
    assert both.performance == pytest.approx(0.865385, abs=5e-7)
    assert both.quality == pytest.approx(0.96)


def test_the_published_wing_panel_riveter() -> None:
    """[read] 16 rivets a minute, 3.75 s each (SAE International 2009); [own] 90 min running, 1380 made, 12 replaced."""
    figures = figures_of(_count(_account(90, 90), 3.75 / 60, good=1368, rework=12))
    assert figures.performance == pytest.approx(0.958333, abs=5e-7)
    assert figures.made_per_running_hour == 920


def test_unknown_time_is_left_out_of_oee_and_bounds_it() -> None:
    figures = figures_of(_count(_account(300, 480, unknown=80), 1, good=200))
    assert figures.availability == 0.75
    assert figures.oee == 0.5
    assert (figures.oee_low, figures.oee_high) == (200 / 480, 280 / 480)
    assert figures.known == 400 / 480
    assert figures.utilisation == 300 / 480


def test_teep_counts_all_calendar_time_and_masked_changeover_its_own() -> None:
    account = replace(_count(_account(300, 400), 1, good=240), calendar_us=1440 * MINUTE_US)
    account.zone_changeover_us, account.masked_us = 60 * MINUTE_US, 45 * MINUTE_US
    assert figures_of(account).teep == 240 / 1440
    assert figures_of(account).masked_changeover == 0.75


def test_a_ratio_over_zero_is_none_never_zero_never_an_error() -> None:
    assert ratio(0, 0) is None
    assert ratio(5, 0) is None
    figures = figures_of(Account())
    assert all(getattr(figures, one.name) is None for one in fields(Figures))


def test_planned_time_of_which_nothing_is_known_gives_bounds_from_0_to_1_only() -> None:
    figures = figures_of(_account(0, 60, unknown=60))
    assert (figures.oee, figures.availability, figures.known) == (None, None, 0)
    assert (figures.oee_low, figures.oee_high) == (0, 1)


def test_where_nothing_made_has_a_standard_performance_and_oee_are_none() -> None:
    account = _account(60, 60)
    account.count("good", "good", 5, None)
    figures = figures_of(account)
    assert (account.made, account.good, account.unrated, account.standard_us) == (5, 5, 5, 0)
    assert figures.availability == 1
    assert [figures.performance, figures.quality, figures.oee, figures.nee, figures.teep] == [None] * 5
    assert [figures.oee_low, figures.oee_high] == [0, 1]
    assert figures.made_per_running_hour == 5


def test_unrated_fasteners_are_counted_beside_rated_ones_but_make_no_standard_time() -> None:
    account = _count(_account(60, 60), 1, good=30)
    account.count("reject", "reject", 5, None)
    assert (account.made, account.unrated, account.reject, account.standard_us) == (35, 5, 5, 30 * MINUTE_US)
    assert figures_of(account).oee == 0.5


def test_where_nothing_was_made_oee_is_zero() -> None:
    figures = figures_of(_account(0, 60))
    assert (figures.oee, figures.availability) == (0, 0)
    assert (figures.performance, figures.quality, figures.nee) == (None, None, None)


def test_booked_time_is_kept_by_state_and_reason() -> None:
    account = Account()
    account.book({("idle", "head"): 5, ("unknown", None): 2})
    account.book({("idle", "head"): 1, ("fault", "e-7"): 3})
    assert (account.idle_us, account.unknown_us, account.fault_us) == (6, 2, 3)
    assert account.reasons == {("idle", "head"): 6, ("unknown", ""): 2, ("fault", "e-7"): 3}


_NUMBERS = st.integers(0, 10**15)
_REASONS = st.dictionaries(st.tuples(st.sampled_from(["idle", "fault"]), st.sampled_from("ab")), _NUMBERS)
_ADDED = [one.name for one in fields(Account) if one.name not in ("reasons", "given", "slowest_us")]
_GIVEN = st.dictionaries(st.tuples(st.sampled_from(["idle", "fault"]), st.just("a"), st.sampled_from("xy")), _NUMBERS)
_ACCOUNTS = st.builds(Account, **dict.fromkeys([*_ADDED, "slowest_us"], _NUMBERS), reasons=_REASONS, given=_GIVEN)


@given(accounts=st.lists(_ACCOUNTS, min_size=3, max_size=3))
def test_accounts_add_up_in_any_order_and_keep_what_they_were(accounts: list[Account]) -> None:
    before = [replace(one, reasons=dict(one.reasons), given=dict(one.given)) for one in accounts]
    sums = [sum(order, Account()) for order in permutations(accounts)]
    assert all(one == sums[0] for one in sums)
    assert all(getattr(sums[0], name) == sum(getattr(one, name) for one in accounts) for name in _ADDED)
    assert sums[0].slowest_us == max(one.slowest_us for one in accounts)
    assert sum(sums[0].reasons.values()) == sum(sum(one.reasons.values()) for one in accounts)
    assert sum(sums[0].given.values()) == sum(sum(one.given.values()) for one in accounts)
    assert accounts == before


@given(account=_ACCOUNTS)
def test_oee_is_availability_times_performance_times_quality(account: Account) -> None:
    account.planned_us += account.unknown_us + account.running_us
    figures = figures_of(account)
    if None not in (figures.availability, figures.performance, figures.quality, figures.oee):
        product = (figures.availability or 0) * (figures.performance or 0) * (figures.quality or 0)
        assert figures.oee == pytest.approx(product, rel=1e-12)


def test_fasteners_that_were_counted_and_never_seen_leave_no_oee_to_tell() -> None:
    figures = figures_of(Account(planned_us=10, running_us=10, unseen_more=3))
    assert (figures.performance, figures.oee, figures.oee_low, figures.oee_high) == (None, None, 0, 1)


def test_where_nothing_is_known_nothing_is_called_zero() -> None:
    figures = figures_of(Account(calendar_us=10, planned_us=10, unknown_us=10))
    assert (figures.utilisation, figures.teep, figures.made_per_planned_hour, figures.oee) == (None, None, None, None)
    assert (figures.known, figures.oee_low, figures.oee_high) == (0, 0, 1)


def test_fasteners_that_came_without_any_known_time_do_not_make_its_use_zero() -> None:
    figures = figures_of(Account(planned_us=10, unknown_us=10, standard_us=4, good_standard_us=4, made=2, good=2))
    assert (figures.utilisation, figures.availability, figures.oee) == (None, None, None)
    assert figures.made_per_planned_hour == 2 * HOUR_US / 10


def _bounds(**told: int) -> tuple[float | None, float | None]:
    account = Account(planned_us=100)
    for name, value in told.items():
        setattr(account, name, value)
    figures = figures_of(account)
    return figures.oee_low, figures.oee_high


def test_where_all_is_known_the_bounds_are_the_oee() -> None:
    told = {"running_us": 80, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 30}
    assert _bounds(**told) == (0.5, 0.5)


def test_unknown_time_may_have_been_all_good_or_all_lost() -> None:
    told = {"unknown_us": 20, "running_us": 60, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 30}
    assert _bounds(**told) == (0.5, 0.7)


def test_fasteners_without_a_standard_may_explain_the_running_time_that_no_standard_does() -> None:
    told = {"running_us": 80, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 31, "unrated": 1}
    assert _bounds(**told) == (0.5, 0.7)


def test_where_none_has_a_standard_the_bounds_tell_what_the_oee_cannot() -> None:
    assert figures_of(Account(planned_us=100, running_us=80, made=5, good=5, unrated=5)).oee is None
    assert _bounds(running_us=80, made=5, good=5, unrated=5) == (0, 0.8)


def test_unseen_fasteners_count_at_most_as_the_slowest_kind_and_no_more_than_fits() -> None:
    told = {"running_us": 80, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 30}
    assert _bounds(**told, unseen_more=3) == (0.5, 0.56)
    assert _bounds(**told, unseen_more=30) == (0.5, 0.7)


def test_fasteners_that_the_controller_does_not_count_may_not_have_been_made() -> None:
    told = {"running_us": 80, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 30}
    assert _bounds(**told, unseen_fewer=3) == (0.44, 0.5)
    assert _bounds(**told, unseen_fewer=300) == (0, 0.5)


def test_the_yield_is_by_first_result_whatever_verdicts_say_later() -> None:
    account = Account()
    account.count("good", "good", 90, 4)
    account.count("rework", "good", 6, 4)
    account.count("good", "reject", 3, 4)
    account.count("reject", "reject", 1, None)
    figures = figures_of(account)
    assert (figures.first_pass_yield, figures.rework_ratio, figures.reject_ratio) == (0.93, 0.06, 0.01)
    assert (account.good, account.rework, account.reject, account.unrated) == (96, 0, 4, 1)
    assert (account.good_standard_us, account.reject_standard_us, account.standard_us) == (384, 12, 396)


def test_fasteners_that_one_cell_misses_do_not_make_up_for_those_that_another_has_too_many() -> None:
    told = {"planned_us": 100, "running_us": 80, "standard_us": 60, "good_standard_us": 50, "slowest_us": 2, "made": 30}
    cells = [Account(**told), Account(**told)]  # type: ignore[arg-type]
    for cell, unseen in zip(cells, (3, -3), strict=True):
        cell.miss(unseen)
    line = sum(cells, Account())
    assert (line.unseen, line.unseen_more, line.unseen_fewer) == (0, 3, 3)
    figures = figures_of(line)
    assert (figures.oee_low, figures.oee, figures.oee_high) == (0.47, 0.5, 0.53)
