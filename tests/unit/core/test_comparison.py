"""The difference of two OEEs, split into what each factor contributed."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.comparison import Contributions, contributions
from zoneledger.core.figures import Account, figures_of


def _account(planned: int, running: int, standard: int, good: int, unknown: int = 0) -> Account:
    account = Account(planned_us=planned, running_us=running, unknown_us=unknown)
    account.standard_us, account.good_standard_us = standard, good
    account.made = account.good = int(standard > 0)
    return account


def test_a_factor_that_changes_alone_contributed_all() -> None:
    # [own] A 0.8 to 0.6 with P and Q as they were.
    found = contributions(_account(100, 80, 40, 20), _account(100, 60, 30, 15))
    assert found == Contributions(Fraction(-1, 20), Fraction(0), Fraction(0))


def test_the_steps_are_the_means_over_all_orders() -> None:
    # By hand: from A 1/2, P 1/2, Q 1/2 to 1, 1, 1 each contributes a third of 7/8.
    found = contributions(_account(80, 40, 20, 10), _account(80, 80, 80, 80))
    assert found == Contributions(*[Fraction(7, 24)] * 3)
    # By hand, two factors: A 1/2 to 1, P 1 to 1/2: +3/8 and -3/8 leave an OEE as it was.
    traded = contributions(_account(80, 40, 40, 40), _account(80, 80, 40, 40))
    assert traded == Contributions(Fraction(3, 8), Fraction(-3, 8), Fraction(0))


@pytest.mark.parametrize("nothing", [_account(100, 0, 0, 0), _account(100, 50, 0, 0)])
def test_where_nothing_ran_or_was_made_the_factors_over_nothing_have_not_changed(nothing: Account) -> None:
    found = contributions(_account(100, 80, 40, 20), nothing)
    assert found is not None
    assert sum(found) == Fraction(-1, 5)
    assert found.quality == 0
    if not nothing.running_us:
        assert found.availability == Fraction(-1, 5)


def test_without_an_oee_there_is_nothing_to_split() -> None:
    whole = _account(100, 80, 40, 20)
    unrated = Account(planned_us=100, running_us=80, made=5, good=5, unrated=5)
    unseen = Account(planned_us=100, running_us=80, unseen_more=5)
    for other in (Account(), Account(planned_us=100, unknown_us=100), unrated, unseen, _account(100, 0, 40, 20)):
        assert contributions(whole, other) is None
        assert contributions(other, whole) is None


_US = st.integers(1, 10**12)


@st.composite
def _accounts(draw: st.DrawFn) -> Account:
    running, standard, unknown, rest = (draw(_US) for _ in range(4))
    return _account(running + unknown + rest, running, standard, draw(st.integers(0, standard)), unknown)


@given(before=_accounts(), after=_accounts())
def test_contributions_sum_exactly_and_turn_their_sign_with_the_direction(before: Account, after: Account) -> None:
    found, back = contributions(before, after), contributions(after, before)
    assert found is not None
    assert back is not None
    old, new = (Fraction(one.good_standard_us, one.planned_us - one.unknown_us) for one in (before, after))
    assert sum(found) == new - old
    assert [-one for one in back] == list(found)
    assert figures_of(after).oee == pytest.approx(float(new))
