"""Given reasons laid over spans: held against a reading instant by instant, and against interval arithmetic of `portion`."""

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise

import portion
from hypothesis import given
from hypothesis import strategies as st

from tests.unit.portions import from_portion, to_portion
from zoneledger.core.given import (
    EXPLAINED_STATES,
    Entry,
    Piece,
    decided_us,
    differing,
    overlay,
    questions,
    shares,
    standing,
    time_given,
)
from zoneledger.core.spans import Interval, Span, time_in_states, unite

LAST = 40
STANDINGS = st.sampled_from(
    [
        ("idle", "unexplained"),
        ("fault", "clamp"),
        ("fault", "spindle"),
        ("idle", "operator"),
        ("running", "process"),
        ("changeover", "load"),
        ("unknown", None),
    ]
)
STATES = st.sampled_from([("idle",), ("fault",), ("idle", "fault")])
REASONS = st.sampled_from([None, "crane", "sealant", "tool"])
INTERVALS = st.tuples(st.integers(0, LAST - 1), st.integers(1, 12)).map(lambda each: (each[0], sum(each)))


@st.composite
def ledgers(draw: st.DrawFn) -> list[Span]:
    """Return spans that are sorted and disjoint, with holes between some of them."""
    edges = sorted(draw(st.sets(st.integers(0, LAST), min_size=2, max_size=12)))
    drawn = [Span(start_us, end_us, *draw(STANDINGS)) for start_us, end_us in pairwise(edges)]
    return [span for span in drawn if draw(st.integers(0, 5))]


@st.composite
def said(draw: st.DrawFn) -> list[Entry]:
    """Return entries in the order of their numbers; some undo an earlier one over its time."""
    entries: list[Entry] = []
    for number in range(1, 1 + draw(st.integers(0, 8))):
        if entries and draw(st.integers(0, 2)) == 0:
            other = draw(st.sampled_from(entries))
            entries.append(Entry(number, other.start_us, other.end_us, None, (), other.id))
        else:
            entries.append(Entry(number, *draw(INTERVALS), draw(REASONS), draw(STATES)))
    return entries


def stands(entry: Entry, entries: Sequence[Entry]) -> bool:
    """Tell whether no entry that stands itself undoes this one: the rule as it is spoken."""
    return not any(other.undoes == entry.id and stands(other, entries) for other in entries)


def decider(span: Span, at_us: int, entries: Sequence[Entry]) -> Entry | None:
    """Return who decides at an instant, by looking at every entry."""
    if span.state != "fault" and span[2:] != ("idle", "unexplained"):
        return None
    found = [
        entry
        for entry in entries
        if entry.undoes is None
        and stands(entry, entries)
        and entry.start_us <= at_us < entry.end_us
        and span.state in entry.states
    ]
    return max(found, key=lambda entry: entry.id, default=None)


def instants(pieces: Sequence[Piece]) -> Iterator[tuple[int, str, str | None, Entry | None]]:
    return ((at_us, piece.state, piece.reason, piece.entry) for piece in pieces for at_us in range(*piece[:2]))


@given(ledgers(), said())
def test_at_each_instant_the_latest_entry_decides_that_stands_and_may_bear_on_the_state(
    spans: list[Span], entries: list[Entry]
) -> None:
    expected = [
        (at_us, *span[2:], decider(span, at_us, entries))
        for span in spans
        for at_us in range(span.start_us, span.end_us)
    ]
    assert list(instants(overlay(spans, entries))) == expected


@given(ledgers(), said(), st.lists(INTERVALS, max_size=4).map(unite))
def test_the_machines_evidence_and_all_sums_stay(
    spans: list[Span], entries: list[Entry], planned: list[Interval]
) -> None:
    pieces = overlay(spans, entries)
    bare = [Span(*piece[:4]) for piece in pieces]
    assert all(one.end_us <= other.start_us for one, other in pairwise(pieces))
    assert time_in_states(bare, planned) == time_in_states(spans, planned)
    whole = time_in_states(spans, planned)
    sums = Counter[tuple[str, str]]()
    for (state, reason, _), length_us in time_given(pieces, planned).items():
        sums[state, reason] += length_us
    assert all(0 < length_us <= whole[key] for key, length_us in sums.items())


@given(ledgers(), said(), st.lists(INTERVALS, max_size=4).map(unite))
def test_the_time_with_a_given_reason_is_what_interval_arithmetic_says(
    spans: list[Span], entries: list[Entry], planned: list[Interval]
) -> None:
    left, inside = set(standing(entries)), to_portion(planned)
    expected = Counter[tuple[str, str | None, str]]()
    for span in spans:
        if span.state != "fault" and span[2:] != ("idle", "unexplained"):
            continue
        free = portion.closedopen(*span[:2]) & inside
        for entry in sorted(entries, reverse=True):
            if entry.id in left and entry.undoes is None and span.state in entry.states:
                mine = free & portion.closedopen(entry.start_us, entry.end_us)
                free -= mine
                if entry.reason is not None:
                    length_us = sum(end - start for start, end in from_portion(mine))
                    expected[span.state, span.reason, entry.reason] += length_us
    assert time_given(overlay(spans, entries), planned) == {key: value for key, value in expected.items() if value}


@given(ledgers(), said(), st.integers(0, 6), st.lists(INTERVALS, max_size=4).map(unite))
def test_questions_and_given_reasons_share_out_the_time_that_wants_one(
    spans: list[Span], entries: list[Entry], longer_than_us: int, planned: list[Interval]
) -> None:
    pieces = overlay(spans, entries)
    every = questions(pieces, planned, EXPLAINED_STATES, 0)
    wanting = {
        key: us for key, us in time_in_states(spans, planned).items() if key[0] == "fault" or "unexplained" in key
    }
    shared = Counter[tuple[str, str | None]]()
    for span in every:
        shared[span[2:]] += span.end_us - span.start_us
    for (state, reason, _), length_us in time_given(pieces, planned).items():
        shared[state, reason] += length_us
    assert shared == wanting
    long = questions(pieces, planned, EXPLAINED_STATES, longer_than_us)
    assert long == [span for span in every if span.end_us - span.start_us > longer_than_us]
    assert questions(pieces, planned, ("idle",), 0) == [span for span in every if span.state == "idle"]


@given(ledgers(), said(), st.lists(INTERVALS, max_size=4).map(unite))
def test_time_ranked_by_given_reasons_is_as_long_as_time_ranked_by_the_machines(
    spans: list[Span], entries: list[Entry], planned: list[Interval]
) -> None:
    reasons, by_given = time_in_states(spans, planned), time_given(overlay(spans, entries), planned)
    ranked = shares(reasons, by_given)
    states = Counter[str]()
    names = Counter[str]()
    for share in ranked:
        assert (share.given is None) or (share.reason is None)
        states[share.state] += share.length_us
        if share.given is not None:
            names[share.given] += share.length_us
    assert states == Counter(
        {state: sum(us for (one, _), us in reasons.items() if one == state) for state, _ in reasons}
    )
    assert names == Counter(
        {name: sum(us for (*_, one), us in by_given.items() if one == name) for *_, name in by_given}
    )
    assert [share.length_us for share in ranked] == sorted((share.length_us for share in ranked), reverse=True)


@given(ledgers(), said(), st.data())
def test_undoing_the_last_undo_brings_back_what_was_told_before_it(
    spans: list[Span], entries: list[Entry], data: st.DataObject
) -> None:
    before, left = overlay(spans, entries), sorted(standing(entries))
    if not left:
        return
    number = data.draw(st.sampled_from(left))
    undone = next(entry for entry in entries if entry.id == number)
    undo = Entry(100, undone.start_us, undone.end_us, None, (), undone.id)
    again = Entry(101, undone.start_us, undone.end_us, None, (), undo.id)
    between, after = overlay(spans, [*entries, undo]), overlay(spans, [*entries, undo, again])
    assert after == before
    changed = {at_us for start_us, end_us in differing(before, between) for at_us in range(start_us, end_us)}
    told = [{at: entry.reason if entry else None for at, _, _, entry in instants(one)} for one in (before, between)]
    assert changed == {at_us for at_us in told[0] if told[0][at_us] != told[1][at_us]}


@given(ledgers(), said())
def test_what_the_entries_decide_adds_up_to_the_time_on_which_any_of_them_does(
    spans: list[Span], entries: list[Entry]
) -> None:
    pieces = overlay(spans, entries)
    decided = decided_us(pieces)
    assert sum(decided.values()) == sum(end - start for start, end, _, _, entry in pieces if entry)
    assert decided.keys() <= standing(entries)


def test_a_reason_over_part_of_a_stop_splits_it_and_leaves_the_rest_open() -> None:
    spans = [Span(0, 10, "running", "process"), Span(10, 40, "idle", "unexplained"), Span(40, 50, "fault", "clamp")]
    crane = Entry(1, 20, 45, "crane", ("idle",))
    assert [(p.start_us, p.end_us, p.reason, p.given) for p in overlay(spans, [crane])] == [
        (0, 10, "process", None),
        (10, 20, "unexplained", None),
        (20, 40, "unexplained", "crane"),
        (40, 50, "clamp", None),
    ]
    assert questions(overlay(spans, [crane]), [(0, 50)], ("idle",), 5) == [Span(10, 20, "idle", "unexplained")]


def test_taking_back_part_of_a_reason_leaves_it_on_both_sides() -> None:
    spans = [Span(0, 30, "idle", "unexplained")]
    entries = [Entry(1, 0, 30, "crane", EXPLAINED_STATES), Entry(2, 10, 20, None, EXPLAINED_STATES)]
    assert [(p.start_us, p.given) for p in overlay(spans, entries)] == [(0, "crane"), (10, None), (20, "crane")]


def test_a_later_reason_that_may_not_bear_on_a_state_leaves_the_earlier_one_there() -> None:
    spans = [Span(0, 10, "idle", "unexplained"), Span(10, 20, "fault", "clamp")]
    entries = [Entry(1, 0, 20, "crane", EXPLAINED_STATES), Entry(2, 0, 20, "sensor", ("fault",))]
    assert [piece.given for piece in overlay(spans, entries)] == ["crane", "sensor"]


def test_stretches_that_touch_are_one_question() -> None:
    spans = [Span(0, 40, "idle", "unexplained"), Span(40, 70, "idle", "unexplained"), Span(70, 90, "fault", "clamp")]
    found = questions(overlay(spans, []), [(0, 90)], EXPLAINED_STATES, 60)
    assert found == [Span(0, 70, "idle", "unexplained")]
