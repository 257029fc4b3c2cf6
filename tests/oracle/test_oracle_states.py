"""Cases worked by hand for the state and reason that the oracle gives a zone and its cell."""

from tests.oracle.ledger import derive
from tests.oracle.written import alarm, begin, end, read, snapshot, wait

PROCESS = {"activity": "process"}
RUNNING = ("running", "process")
UNEXPLAINED = ("idle", "unexplained")


def test_of_two_stop_alarms_the_first_raised_of_those_active_is_the_reason() -> None:
    messages = [
        snapshot(0, 0, {"1": PROCESS, "2": PROCESS}),
        alarm(1, 1, "raise", "E-1"),
        alarm(2, 2, "raise", "E-2", zone=None),
        alarm(3, 3, "clear", "E-1"),
        alarm(4, 4, "raise", "E-1"),
        alarm(5, 5, "clear", "E-2", zone=None),
    ]
    derived = derive(messages)
    assert read(derived.zones["1"]) == [
        (0, 1, *RUNNING),
        (1, 3, "fault", "E-1"),
        (3, 5, "fault", "E-2"),
        (5, 35, "fault", "E-1"),
    ]
    assert read(derived.zones["2"]) == [(0, 2, *RUNNING), (2, 5, "fault", "E-2"), (5, 35, *RUNNING)]
    assert read(derived.cell) == [(0, 2, *RUNNING), (2, 3, "fault", "E-1"), (3, 5, "fault", "E-2"), (5, 35, *RUNNING)]


def test_a_raise_of_an_active_alarm_keeps_its_place_and_takes_the_new_severity() -> None:
    messages = [
        snapshot(0, 0, {"1": PROCESS}),
        alarm(1, 1, "raise", "E-1", severity="notice"),
        alarm(2, 2, "raise", "E-2"),
        alarm(3, 3, "raise", "E-1"),
        alarm(4, 4, "raise", "E-1", severity="notice"),
    ]
    expected = [(0, 2, *RUNNING), (2, 3, "fault", "E-2"), (3, 4, "fault", "E-1"), (4, 34, "fault", "E-2")]
    assert read(derive(messages).zones["1"]) == expected


def test_an_alarm_is_over_with_its_last_clear_and_one_raised_again_comes_last() -> None:
    phases = ("raise", "clear", "raise", "clear")
    messages = [snapshot(0, 0, {"1": {}}), *(alarm(n, n, phase, "E-1") for n, phase in enumerate(phases, 1))]
    fault = ("fault", "E-1")
    known = [(0, 1, *UNEXPLAINED), (1, 2, *fault), (2, 3, *UNEXPLAINED), (3, 4, *fault), (4, 34, *UNEXPLAINED)]
    assert read(derive(messages).zones["1"]) == known


def test_a_fault_lies_over_a_wait() -> None:
    messages = [snapshot(0, 0, {"1": {"wait": "tool"}}), alarm(1, 1, "raise", "E-1"), alarm(2, 2, "clear", "E-1")]
    expected = [(0, 1, "idle", "tool"), (1, 2, "fault", "E-1"), (2, 32, "idle", "tool")]
    assert read(derive(messages).zones["1"]) == expected


def test_an_alarm_of_the_cell_and_one_of_a_zone_with_the_same_code_are_two() -> None:
    messages = [snapshot(0, 0, {"1": {}}), alarm(1, 1, "raise", "E-1", zone=None), alarm(2, 2, "clear", "E-1")]
    assert read(derive(messages).zones["1"]) == [(0, 1, *UNEXPLAINED), (1, 32, "fault", "E-1")]


def test_a_snapshot_wins_with_what_it_lists_and_with_what_it_does_not() -> None:
    messages = [
        snapshot(0, 0, {"1": PROCESS}),
        alarm(1, 5, "raise", "E-1"),
        snapshot(1, 10, {"1": PROCESS}, [_stop("E-2"), _stop("E-1")]),
        snapshot(1, 15, {"1": {**PROCESS, "wait": "operator"}}),
        snapshot(1, 20, {"1": {}}),
        wait(2, 25, "end", "operator"),
    ]
    assert read(derive(messages).zones["1"]) == [
        (0, 5, *RUNNING),
        (5, 10, "fault", "E-1"),
        (10, 15, "fault", "E-2"),
        (15, 20, "idle", "operator"),
        (20, 55, *UNEXPLAINED),
    ]


def test_an_event_comes_before_the_snapshot_that_repeats_its_seq() -> None:
    messages = [snapshot(1, 5, {"1": {}}), begin(1, 5, "process"), snapshot(0, 0, {"1": {}})]
    assert read(derive(messages).zones["1"]) == [(0, 35, *UNEXPLAINED)]


def test_a_wait_lies_over_the_activity_and_neither_ends_the_other() -> None:
    messages = [
        snapshot(0, 0, {"1": PROCESS}),
        wait(1, 1, "begin", "tool"),
        wait(2, 2, "begin", "operator"),
        wait(3, 3, "end", "tool"),
        begin(4, 4, "setup"),
        end(5, 5, "process"),
        wait(6, 6, "end", "operator"),
        end(7, 7, "setup"),
    ]
    assert read(derive(messages).zones["1"]) == [
        (0, 1, *RUNNING),
        (1, 2, "idle", "tool"),
        (2, 6, "idle", "operator"),
        (6, 7, "changeover", "setup"),
        (7, 37, *UNEXPLAINED),
    ]


def test_the_cell_takes_the_best_state_and_the_reason_of_the_first_zone_in_it() -> None:
    messages = [
        snapshot(0, 0, {"1": {}, "2": {"wait": "panel"}}),
        begin(1, 1, "unload", "2"),
        wait(2, 2, "end", "panel", "2"),
        alarm(3, 3, "raise", "E-1"),
        begin(4, 4, "process", "2"),
    ]
    assert read(derive(messages).cell) == [
        (0, 2, *UNEXPLAINED),
        (2, 3, "changeover", "unload"),
        (3, 4, "fault", "E-1"),
        (4, 34, *RUNNING),
    ]


def test_an_alarm_of_an_unknown_zone_is_no_reason_of_the_cell() -> None:
    unlisted = snapshot(0, 0, {"1": PROCESS}, [{"zone": "2", **_stop("E-9")}])
    derived = derive([unlisted, alarm(1, 1, "raise", "E-1")])
    assert read(derived.cell) == [(0, 1, *RUNNING), (1, 31, "fault", "E-1")]
    assert derived.zones["2"] == []


def _stop(code: str) -> dict[str, str]:
    return {"code": code, "severity": "stop"}
