"""Interval arithmetic of planned time, held against the library portion."""

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.unit.portions import from_portion, to_portion
from zoneledger.core.shifts import subtract
from zoneledger.core.spans import Interval, intersect, unite

INTERVALS = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=12)


@settings(deadline=None)
@given(INTERVALS)
def test_a_union_is_that_of_portion(intervals: list[Interval]) -> None:
    assert unite(each for each in intervals if each[0] < each[1]) == from_portion(to_portion(intervals))


@settings(deadline=None)
@given(INTERVALS, INTERVALS)
def test_a_difference_is_that_of_portion(intervals: list[Interval], holes: list[Interval]) -> None:
    expected = from_portion(to_portion(intervals) - to_portion(holes))
    assert subtract([i for i in intervals if i[0] < i[1]], [h for h in holes if h[0] < h[1]]) == expected


@settings(deadline=None)
@given(INTERVALS, st.integers(0, 60), st.integers(0, 60))
def test_a_clipped_union_is_that_of_portion(intervals: list[Interval], start: int, end: int) -> None:
    united = unite(each for each in intervals if each[0] < each[1])
    expected = from_portion(to_portion(intervals) & to_portion([(start, end)]))
    assert intersect(united, [(start, end)]) == expected
