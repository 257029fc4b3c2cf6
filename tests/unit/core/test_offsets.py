"""A clock's offset: the promptest message of the last two periods tells it."""

import hypothesis.strategies as st
from hypothesis import given

from zoneledger.core.offsets import PERIOD_US, Offset, later_of, observe


def _after(*seen: tuple[int, int]) -> Offset:
    offset: Offset | None = None
    for arrived_us, ahead_us in seen:
        offset = observe(offset, arrived_us, ahead_us)
    assert offset is not None
    return offset


def test_the_promptest_message_tells_the_offset() -> None:
    assert _after((0, -300_000), (1, -20_000), (2, -4_000_000)).us == -20_000


def test_a_clock_that_is_ahead_shows_as_above_zero() -> None:
    assert _after((0, 2_990_000), (1, 2_950_000)).us == 2_990_000


def test_an_offset_is_forgotten_after_the_period_that_follows_its_own() -> None:
    first = (PERIOD_US - 1, 3_000_000)
    assert _after(first, (PERIOD_US, -5)).us == 3_000_000
    assert _after(first, (PERIOD_US, -5), (2 * PERIOD_US, -7)).us == -5
    assert _after(first, (2 * PERIOD_US, -7)).us == -7


def test_an_estimate_is_begun_anew_where_the_services_own_clock_was_set_back() -> None:
    assert _after((5 * PERIOD_US, -9), (3 * PERIOD_US, -70)).us == -70


@given(st.lists(st.tuples(st.integers(0, 4 * PERIOD_US), st.integers(-(10**9), 10**7)), min_size=1))
def test_the_estimate_is_the_largest_of_the_messages_of_the_last_two_periods(seen: list[tuple[int, int]]) -> None:
    seen.sort(key=lambda one: one[0])
    last = seen[-1][0] // PERIOD_US
    assert _after(*seen).us == max(ahead for arrived, ahead in seen if arrived // PERIOD_US >= last - 1)


def test_messages_that_were_taken_tell_the_clock_until_their_estimate_is_outdated() -> None:
    taken, slip = Offset(7, -20_000, None), 7_200_000_000
    assert later_of(taken, None) == later_of(taken, Offset(8, slip, None)) == taken
    assert later_of(taken, Offset(9, slip, None)) == Offset(9, slip, None)
    assert later_of(None, Offset(3, slip, None)) == Offset(3, slip, None)
    assert later_of(None, None) is None


def test_an_estimate_reaches_to_the_end_of_the_period_after_its_own() -> None:
    assert Offset(7, 0, None).reaches(9 * PERIOD_US - 1)
    assert not Offset(7, 0, None).reaches(9 * PERIOD_US)
