"""Failures of random ledgers: nothing is counted twice, and whatever is read instant by instant comes to the same."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.failures import Clock, Planned, Raised, Stretch, Tally, failure_figures_of, stretches_of, told_by
from zoneledger.core.spans import Interval, Span, fill, intersect
from zoneledger.core.states import FAULT, IDLE, NOT_KEPT, RUNNING, UNKNOWN

END = 40
STATES = st.sampled_from([FAULT, FAULT, RUNNING, IDLE, UNKNOWN])


@st.composite
def ledgers(draw: st.DrawFn) -> list[Span]:
    """Return spans that join without a gap over [0, END), none like the one before it."""
    edges = sorted(draw(st.sets(st.integers(1, END - 1), max_size=14)) | {0, END})
    found: list[Span] = []
    for start_us, end_us in pairwise(edges):
        state = draw(STATES)
        span = Span(start_us, end_us, state, draw(st.sampled_from(["a", "b"])) if state == FAULT else None)
        if found and found[-1][2:] == span[2:]:
            found[-1] = found[-1]._replace(end_us=end_us)
        else:
            found.append(span)
    return found


@st.composite
def planned_times(draw: st.DrawFn) -> list[Interval]:
    """Return sorted, disjoint intervals."""
    edges = sorted(draw(st.sets(st.integers(0, END), max_size=8)))
    return list(zip(edges[::2], edges[1::2], strict=False))


def tally_of(ledger: list[Span], planned: list[Interval], start_us: int, end_us: int) -> Tally:
    """Return the tally of a window, read as the service reads it: from just before it, to where a fault at its end is over."""
    inside = intersect(planned, [(start_us, end_us)])
    joined = fill(ledger, start_us - 1, END + 1)
    onwards = intersect(planned, [(start_us, END)])
    return Tally(Clock(ledger, inside).total_us, stretches_of(joined, Planned(inside), Planned(onwards)))


@given(ledger=ledgers(), planned=planned_times(), cut=st.integers(1, END - 1))
def test_the_failures_of_a_window_are_those_of_its_parts(ledger: list[Span], planned: list[Interval], cut: int) -> None:
    whole, first, second = (tally_of(ledger, planned, *bounds) for bounds in ((0, END), (0, cut), (cut, END)))
    assert whole.running_us == first.running_us + second.running_us
    figures = [failure_figures_of(tally, 0.9) for tally in (whole, first, second)]
    assert figures[0].failures == figures[1].failures + figures[2].failures
    for name in ("fault_s", "repair_s"):
        parts_s = [getattr(one, name) for one in figures]
        assert round(parts_s[0] * 1e6) == round((parts_s[1] + parts_s[2]) * 1e6), name
    begins = [one.start_us for tally in (first, second) for one in tally.counted]
    assert [one.start_us for one in whole.counted] == begins


@given(ledger=ledgers(), planned=planned_times(), start_us=st.integers(0, END - 2), length_us=st.integers(1, END))
def test_failures_read_instant_by_instant_are_the_same(
    ledger: list[Span], planned: list[Interval], start_us: int, length_us: int
) -> None:
    end_us = min(start_us + length_us, END)
    state_at = {at: span.state for span in ledger for at in range(span.start_us, span.end_us)}
    inside = [at for at in range(start_us, end_us) if any(begin <= at < over for begin, over in planned)]
    tally = tally_of(ledger, planned, start_us, end_us)
    begins = [at for at in inside if state_at[at] == FAULT and state_at.get(at - 1) != FAULT]
    assert [one.start_us for one in tally.counted] == begins
    assert sum(one.fault_us for one in tally.stretches) == sum(state_at[at] == FAULT for at in inside)
    assert tally.running_us == sum(state_at[at] == RUNNING for at in inside)
    clock = Clock(ledger, intersect(planned, [(start_us, end_us)]))
    for at in range(-1, END + 2):
        assert clock.until(at) == sum(state_at[one] == RUNNING for one in inside if one < at)
    for one in tally.counted:
        assert one.begin_seen == (state_at.get(one.start_us - 1, UNKNOWN) != UNKNOWN)
        assert one.code == next(span.reason for span in ledger if span.start_us == one.start_us)
        over_us = next((at for at in range(one.start_us, END) if state_at[at] != FAULT), END)
        assert one.repair_us == Planned(planned).length_us(one.start_us, over_us)


def test_a_fault_of_which_the_time_before_is_not_kept_is_no_failure() -> None:
    fault = Span(5, 9, FAULT, "a")
    inside = Planned([(0, 10)])
    kept = stretches_of([Span(0, 5, UNKNOWN, None), fault, Span(9, 10, IDLE, None)], inside, inside)
    gone = stretches_of([Span(0, 5, UNKNOWN, NOT_KEPT), fault, Span(9, 10, IDLE, None)], inside, inside)
    assert ([one.counts for one in kept], [one.counts for one in gone]) == ([True], [False])
    assert gone[0].fault_us == 4


def test_a_raise_at_the_begin_of_a_failure_proves_that_it_began_there() -> None:
    unseen = Stretch(5, 9, "a", 4, 4, counts=True, begin_seen=False, end_seen=True)
    assert told_by(unseen, Raised(5, "drill")).begin_seen
    assert not told_by(unseen, Raised(4, "drill")).begin_seen
    assert told_by(unseen, Raised(4, "drill")).subsystem == "drill"
    assert told_by(unseen, None) == unseen


def test_a_unit_that_never_ran_has_no_mean_time_between_failures() -> None:
    figures = failure_figures_of(Tally(0, [Stretch(5, 9, "a", 4, 4, counts=True, begin_seen=True, end_seen=True)]), 0.9)
    assert (figures.failures, figures.mtbf_s, figures.mtbf_bounds_s) == (1, None, (None, None))
    assert figures.mttr_s == 4e-6
