"""Half-open arithmetic of intervals and spans, held against the library `portion`."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from tests.unit.portions import from_portion, to_portion
from zoneledger.core.spans import Interval, Span, by_state, clip, fill, intersect, time_in_states, total, unite
from zoneledger.core.states import STATES, UNKNOWN

_INSTANTS = st.integers(-30, 30)
_INTERVALS = st.lists(st.tuples(_INSTANTS, _INSTANTS), max_size=8)
_WINDOWS = st.tuples(_INSTANTS, _INSTANTS).map(lambda pair: (min(pair), max(pair)))


@st.composite
def _disjoint(draw: st.DrawFn) -> list[Interval]:
    """Return sorted, disjoint intervals that may touch."""
    edges = sorted(draw(st.sets(_INSTANTS, max_size=10)))
    return [pair for pair in pairwise(edges) if draw(st.booleans())]


@st.composite
def _spans(draw: st.DrawFn) -> list[Span]:
    """Return sorted, disjoint spans that may touch."""
    reasons = st.sampled_from(["a", None])
    return [Span(*pair, draw(st.sampled_from(STATES)), draw(reasons)) for pair in draw(_disjoint())]


def _bounds(spans: list[Span]) -> list[Interval]:
    return [(span.start_us, span.end_us) for span in spans]


@given(intervals=_INTERVALS)
def test_unite_gives_the_union_as_intervals_that_do_not_touch(intervals: list[Interval]) -> None:
    assert unite(intervals) == from_portion(to_portion(intervals))


@given(left=_disjoint(), right=_disjoint())
def test_intersect_gives_what_both_have(left: list[Interval], right: list[Interval]) -> None:
    found = intersect(left, right)
    assert from_portion(to_portion(found)) == from_portion(to_portion(left) & to_portion(right))
    assert total(found) == total(unite(found))
    assert found == sorted(found)


@given(intervals=_disjoint())
def test_total_is_the_length_together(intervals: list[Interval]) -> None:
    assert total(intervals) == sum(upper - lower for lower, upper in from_portion(to_portion(intervals)))


@given(spans=_spans(), window=_WINDOWS)
def test_clip_keeps_what_lies_in_a_window(spans: list[Span], window: Interval) -> None:
    clipped = clip(spans, *window)
    assert from_portion(to_portion(_bounds(clipped))) == from_portion(to_portion(_bounds(spans)) & to_portion([window]))
    assert all(any(one.start_us <= part.start_us and part.end_us <= one.end_us for one in spans) for part in clipped)
    assert all(part.start_us < part.end_us for part in clipped)


@given(spans=_spans(), window=_WINDOWS)
def test_fill_partitions_a_window_with_unknown_where_nothing_is(spans: list[Span], window: Interval) -> None:
    filled = fill(spans, *window)
    edges = [window[0], *(span.end_us for span in filled)]
    assert [span.start_us for span in filled] == edges[:-1]
    assert edges[-1] == window[1]
    added = [span for span in filled if span not in clip(spans, *window)]
    assert all(span[2:] == (UNKNOWN, None) for span in added)
    assert from_portion(to_portion(_bounds(added))) == from_portion(to_portion([window]) - to_portion(_bounds(spans)))


@given(spans=_spans(), planned=_disjoint())
def test_time_in_states_sums_to_the_planned_time(spans: list[Span], planned: list[Interval]) -> None:
    sums = time_in_states(spans, planned)
    assert sum(sums.values()) == total(planned)
    assert all(sums.values())
    for key in {(state, reason) for _, _, state, reason in spans} - {(UNKNOWN, None)}:
        booked = to_portion(_bounds([span for span in spans if span[2:] == key])) & to_portion(planned)
        assert sums.get(key, 0) == total(from_portion(booked))


@given(spans=_spans(), planned=_disjoint())
def test_by_state_names_every_state_and_keeps_the_sum(spans: list[Span], planned: list[Interval]) -> None:
    totals = by_state(time_in_states(spans, planned))
    assert tuple(totals) == STATES
    assert sum(totals.values()) == total(planned)


def test_overlapping_log_entries_are_united_before_they_are_summed() -> None:
    """07:00-08:15 twice and 16:05-16:38 twice sum to 216 min and last 108 (an open production log, [read])."""
    entries = [(420, 495), (965, 998), (420, 495), (965, 998)]
    assert total(entries) == 216
    assert total(unite(entries)) == 108
