"""The design's invariants, asked of the oracle alone, and how far "taking events away" really goes."""

from itertools import pairwise
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.oracle.controller import ZONES
from tests.oracle.ledger import STATES, Derived, Piece, derive, merged, sums
from tests.oracle.record import EARLIEST_US, in_order, instant_us
from tests.oracle.strategies import BASE_US, SECOND_US, Disturbances, Stream, any_streams, arrivals, streams
from tests.oracle.written import begin, read, snapshot

Messages = list[dict[str, Any]]
HONEST = Disturbances(stray_ends=True, equal_times=True, offsets=True)
HONEST_WITH_LOSSES = Disturbances(True, True, stray_ends=True, equal_times=True, offsets=True)
PROCESS, LOAD = {"activity": "process"}, {"activity": "load"}
slow = settings(deadline=None)


@slow
@given(any_streams(), st.integers(-60, 9_000), st.integers(0, 9_000))
def test_states_partition_any_window_to_the_microsecond(stream: Stream, start_s: int, length_s: int) -> None:
    derived = derive(stream.messages, stream.link_down_us)
    start_us = BASE_US + start_s * SECOND_US + 1
    end_us = start_us + length_s * SECOND_US
    for pieces in (derived.cell, *derived.zones.values()):
        times = sums(pieces, start_us, end_us)
        assert sum(times.values()) == end_us - start_us
        assert min(times.values()) >= 0
        assert all(piece.start_us < piece.end_us and piece.state in STATES for piece in pieces)
        assert all(one.end_us <= other.start_us for one, other in pairwise(pieces))
        assert merged(pieces) == pieces


@slow
@given(any_streams(), st.data())
def test_order_of_arrival_and_duplicates_change_nothing(stream: Stream, data: st.DataObject) -> None:
    arrived = data.draw(arrivals(stream.messages))
    assert derive(arrived, stream.link_down_us) == derive(stream.messages, stream.link_down_us)


@slow
@given(any_streams())
def test_a_cell_is_in_the_state_of_one_of_its_zones_and_unknown_where_all_are(stream: Stream) -> None:
    derived = derive(stream.messages, stream.link_down_us)
    for instant in edges(derived):
        states = {state_at(pieces, instant) for pieces in derived.zones.values()} - {None}
        assert state_at(derived.cell, instant) in (states or {None})


@slow
@given(streams(HONEST))
def test_an_honest_cell_of_which_nothing_is_lost_is_known_but_for_its_reboots(stream: Stream) -> None:
    derived = derive(stream.messages)
    reboots = [(one["at"], other["at"]) for one, other in pairwise(stream.messages) if one["boot"] != other["boot"]]
    unknown_us = sum(instant_us(after) - instant_us(before) for before, after in reboots)
    assert derived.gaps == []
    for zone in ZONES:
        assert sums(derived.zones[zone], BASE_US, latest_us(stream.messages))["unknown"] == unknown_us


@slow
@given(st.one_of(streams(HONEST), streams(HONEST_WITH_LOSSES)))
def test_whatever_is_known_of_an_honest_cell_with_a_steady_clock_was_true(stream: Stream) -> None:
    derived = derive(stream.messages)
    true = {instant: states for instant, states in stream.truth if instant < latest_us(stream.messages)}
    for zone, pieces in derived.zones.items():
        for instant, states in true.items():
            assert state_at(pieces, instant) in (None, states[zone])


@slow
@given(any_streams(), st.data())
def test_taking_events_away_only_adds_unknown_where_booked_times_and_the_last_message_stay(
    stream: Stream, data: st.DataObject
) -> None:
    """Neither consistent snapshots nor a clock without steps is needed: a snapshot ends every gap by itself."""
    ordered = list(in_order(stream.messages))
    at_us = [instant_us(message["at"]) for message in ordered]
    kept = []
    for place, message in enumerate(ordered[:-1]):
        shifts_later = at_us[place] > max([EARLIEST_US, *at_us[:place]]) and at_us[place] > min(at_us[place:])
        if message["type"] == "snapshot" or shifts_later or data.draw(st.booleans()):
            kept.append(message)
    before = derive(ordered, stream.link_down_us)
    assert_only_unknown_is_added(before, derive(kept + ordered[-1:], stream.link_down_us))


@slow
@given(streams(HONEST_WITH_LOSSES), st.data())
def test_taking_any_messages_of_an_honest_steady_cell_away_only_adds_unknown_where_the_last_stays(
    stream: Stream, data: st.DataObject
) -> None:
    ordered = list(in_order(stream.messages))
    kept = [message for message in ordered[:-1] if data.draw(st.booleans())] + ordered[-1:]
    before = derive(ordered, stream.link_down_us)
    assert_only_unknown_is_added(before, derive(kept, stream.link_down_us))


def test_taking_the_last_message_away_lets_the_state_before_it_run_on() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), begin(1, 5, "load")]
    assert read(derive(messages).cell) == [(0, 5, "running", "process"), (5, 35, "changeover", "load")]
    assert read(derive(messages[:1]).cell) == [(0, 30, "running", "process")]


def test_taking_an_event_away_before_a_clock_step_back_moves_what_is_booked_after_it() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), begin(1, 10, "load"), snapshot(1, 5, {"1": LOAD}), begin(2, 20, "load")]
    assert read(derive(messages).cell) == [(0, 10, "running", "process"), (10, 50, "changeover", "load")]
    without = [messages[0], *messages[2:]]
    assert read(derive(without).cell) == [(5, 50, "changeover", "load")]


def test_taking_a_contradicting_snapshot_away_changes_the_state_after_it() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), snapshot(0, 5, {"1": LOAD}), begin(1, 9, "process")]
    assert read(derive(messages).cell)[1] == (5, 9, "changeover", "load")
    assert read(derive([messages[0], messages[2]]).cell) == [(0, 39, "running", "process")]


def test_taking_away_a_snapshot_that_does_not_list_a_zone_makes_unknown_time_known() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), snapshot(0, 5, {}), begin(1, 9, "process")]
    assert read(derive(messages).cell) == [(0, 5, "running", "process")]
    assert read(derive([messages[0], messages[2]]).cell) == [(0, 39, "running", "process")]


def test_taking_away_a_snapshot_whose_clock_is_not_believed_makes_unknown_time_known() -> None:
    messages = [
        snapshot(0, 100, {"1": PROCESS}),
        begin(1, 103, "load"),
        snapshot(1, 7, {"1": LOAD}),
        begin(2, 109, "load"),
    ]
    known = (100, 103, "running", "process")
    assert read(derive(messages).cell) == [known, (109, 139, "changeover", "load")]
    assert read(derive([*messages[:2], messages[3]]).cell) == [known, (103, 139, "changeover", "load")]


def assert_only_unknown_is_added(before: Derived, after: Derived) -> None:
    for instant in edges(before) | edges(after):
        assert state_at(after.cell, instant) in (None, state_at(before.cell, instant))
        for zone, pieces in after.zones.items():
            assert state_at(pieces, instant) in (None, state_at(before.zones[zone], instant))


def edges(derived: Derived) -> set[int]:
    """Every instant at which some piece starts or ends."""
    pieces = [piece for own in (derived.cell, *derived.zones.values()) for piece in own]
    return {piece.start_us for piece in pieces} | {piece.end_us for piece in pieces}


def state_at(pieces: list[Piece], instant: int) -> tuple[str, str] | None:
    """State and reason at an instant; None where it is unknown."""
    return next(((p.state, p.reason) for p in pieces if p.start_us <= instant < p.end_us), None)


def latest_us(messages: Messages) -> int:
    return max((instant_us(message["at"]) for message in messages), default=BASE_US)
