"""Cases worked by hand that the oracle itself must get right about evidence and clocks."""

import pytest

from tests.oracle.ledger import derive, sums
from tests.oracle.written import alarm, at_us, begin, end, event, fastener, read, snapshot, wait

PROCESS = {"activity": "process"}
RUNNING = ("running", "process")
UNEXPLAINED = ("idle", "unexplained")


def test_nothing_is_known_of_no_messages() -> None:
    derived = derive([])
    assert (derived.zones, derived.cell, derived.fasteners, derived.gaps) == ({}, [], [], [])


def test_time_before_the_first_snapshot_is_unknown() -> None:
    events = [begin(1, 0, "process"), fastener(2, 5)]
    assert derive(events).zones == {"1": []}
    assert read(derive([*events, snapshot(2, 10, {"1": PROCESS})]).zones["1"]) == [(10, 40, *RUNNING)]


def test_a_gap_is_unknown_from_the_message_before_it_to_the_next_snapshot() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), wait(1, 3, "begin", "panel"), wait(3, 8, "end", "panel")]
    assert read(derive(messages).zones["1"]) == [(0, 3, *RUNNING)]
    messages += [snapshot(3, 12, {"1": PROCESS})]
    assert read(derive(messages).zones["1"]) == [(0, 3, *RUNNING), (12, 42, *RUNNING)]
    proof = snapshot(1, 6, {"1": {**PROCESS, "wait": "panel"}})
    assert read(derive([*messages, proof]).zones["1"]) == [
        (0, 3, *RUNNING),
        (3, 6, "idle", "panel"),
        (12, 42, *RUNNING),
    ]


def test_a_late_event_makes_the_unknown_time_known() -> None:
    messages = [snapshot(0, 0, {"1": {}}), begin(1, 3, "load"), end(3, 8, "process"), snapshot(3, 12, {"1": {}})]
    late = begin(2, 5, "process")
    assert read(derive(messages).zones["1"]) == [(0, 3, *UNEXPLAINED), (12, 42, *UNEXPLAINED)]
    assert read(derive([*messages, late]).zones["1"]) == [
        (0, 3, *UNEXPLAINED),
        (3, 5, "changeover", "load"),
        (5, 8, *RUNNING),
        (8, 42, *UNEXPLAINED),
    ]


def test_a_snapshot_can_show_a_gap_and_end_it() -> None:
    messages = [snapshot(0, 0, {"1": {}}), snapshot(0, 4, {"1": {}}), snapshot(2, 10, {"1": {}})]
    derived = derive(messages)
    assert read(derived.zones["1"]) == [(0, 4, *UNEXPLAINED), (10, 40, *UNEXPLAINED)]
    assert derived.gaps == [(1, 1, 2)]


def test_an_event_of_unknown_type_is_numbered_and_does_nothing_else() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), event(1, 4, "calibration", None), end(2, 8, "process")]
    assert read(derive(messages).zones["1"]) == [(0, 8, *RUNNING), (8, 38, *UNEXPLAINED)]


def test_a_new_boot_is_unknown_until_its_snapshot_and_ends_what_was() -> None:
    before = [
        snapshot(0, 0, {"1": PROCESS}),
        alarm(1, 5, "raise", "E-1"),
        snapshot(1, 9, {"1": PROCESS}, [_stop("E-1")]),
    ]
    known = [(0, 5, *RUNNING), (5, 9, "fault", "E-1")]
    at_start = snapshot(0, 20, {"1": {}}, boot=2)
    assert read(derive([*before, at_start]).zones["1"]) == [*known, (20, 50, *UNEXPLAINED)]
    events_first = [begin(1, 20, "process", boot=2), snapshot(1, 25, {"1": PROCESS}, boot=2)]
    assert read(derive([*before, *events_first]).zones["1"]) == [*known, (25, 55, *RUNNING)]


def test_numbers_of_two_boots_never_follow_each_other() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), snapshot(0, 9, {"1": PROCESS}), end(1, 20, "process", boot=2)]
    assert read(derive(messages).zones["1"]) == [(0, 9, *RUNNING)]


def test_evidence_ends_with_silence_or_with_a_link_down_that_comes_after_the_last_message() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), begin(1, 10, "load")]
    running = (0, 10, *RUNNING)
    for link_down_s, end_s in ((None, 40), (9, 40), (10.5, 10.5), (40, 40), (50, 40)):
        link_down_us = None if link_down_s is None else at_us(link_down_s)
        assert read(derive(messages, link_down_us).zones["1"]) == [running, (10, end_s, "changeover", "load")]
    assert read(derive(messages, at_us(10)).zones["1"]) == [running]
    assert read(derive(messages, silence_us=2_000_000).zones["1"]) == [running, (10, 12, "changeover", "load")]


def test_a_small_clock_step_back_is_booked_at_the_time_before_it() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), wait(1, 10, "begin", "tool"), wait(2, 5, "end", "tool"), fastener(3, 7)]
    derived = derive([*messages, end(4, 12, "process")])
    assert read(derived.zones["1"]) == [(0, 12, *RUNNING), (12, 42, *UNEXPLAINED)]
    assert derived.fasteners[0].at_us == at_us(10)


def test_a_clock_step_back_of_90_s_is_unknown_until_the_clock_is_credible() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), wait(1, 100, "begin", "tool")]
    running = (0, 100, *RUNNING)
    stepped = [*messages, wait(2, 10, "end", "tool"), fastener(3, 39.999999)]
    assert read(derive(stepped).zones["1"]) == [running]
    credible = end(4, 105, "process")
    assert read(derive([*stepped, credible]).zones["1"]) == [running, (105, 135, *UNEXPLAINED)]
    assert derive(stepped).fasteners[0].at_us == at_us(100)


def test_a_clock_step_back_of_exactly_the_tolerance_is_believed() -> None:
    messages = [snapshot(0, 0, {"1": PROCESS}), wait(1, 100, "begin", "tool"), wait(2, 40, "end", "tool")]
    assert read(derive(messages).zones["1"]) == [(0, 130, *RUNNING)]
    narrower = derive(messages, clock_tolerance_us=59_999_999)
    assert read(narrower.zones["1"]) == [(0, 100, *RUNNING)]


def test_a_clock_that_was_never_set_is_not_believed() -> None:
    unset = [snapshot(0, 0, {"1": {}}), begin(1, 5, "process"), fastener(2, 6)]
    unset = [{**message, "at": f"1970-01-01T00:00:0{second}Z"} for second, message in enumerate(unset)]
    for sent in (1, 2, 3):
        assert derive(unset[:sent]).cell == []
    derived = derive([*unset, fastener(3, 60)])
    assert read(derived.zones["1"]) == [(60, 90, *RUNNING)]
    assert [f.at_us for f in derived.fasteners] == [1_577_836_800_000_000, at_us(60)]


def test_the_clock_is_judged_across_boots() -> None:
    messages = [snapshot(0, 100, {"1": PROCESS}), snapshot(0, 0, {"1": PROCESS}, boot=2), fastener(1, 101, boot=2)]
    assert read(derive(messages).zones["1"]) == [(101, 131, *RUNNING)]


def test_a_zone_that_a_snapshot_does_not_list_is_unknown_until_one_lists_it() -> None:
    both = {"1": PROCESS, "2": {"activity": "load"}}
    messages = [snapshot(0, 0, both), snapshot(0, 10, {"1": PROCESS}), begin(1, 12, "load", "2"), snapshot(1, 20, both)]
    derived = derive(messages)
    assert read(derived.zones["1"]) == [(0, 50, *RUNNING)]
    assert read(derived.zones["2"]) == [(0, 10, "changeover", "load"), (20, 50, "changeover", "load")]
    assert read(derived.cell) == [(0, 50, *RUNNING)]


def test_sums_fill_the_window_with_unknown() -> None:
    pieces = derive([snapshot(0, 0, {"1": PROCESS}), begin(1, 10, "load")]).zones["1"]
    expected = {"running": 6_000_000, "changeover": 30_000_000, "fault": 0, "idle": 0, "unknown": 5_000_001}
    assert sums(pieces, at_us(4), at_us(45.000001)) == expected


def test_two_events_of_one_number_were_never_both_accepted() -> None:
    with pytest.raises(ValueError, match="one of them was not accepted"):
        derive([begin(1, 0, "load"), begin(1, 0, "unload")])


def _stop(code: str) -> dict[str, str]:
    return {"code": code, "severity": "stop"}
