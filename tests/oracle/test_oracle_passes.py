"""Cases worked by hand for what the oracle says of activities and panel passes."""

from tests.oracle.passes import Pass, activities, passes
from tests.oracle.strategies import BASE_US, SECOND_US
from tests.oracle.written import begin, end, event, snapshot

IDLE: dict[str, dict[str, str]] = {"1": {}, "2": {}}
P_1: dict[str, dict[str, str]] = {"1": {"activity": "process", "panel": "p-1"}, "2": {}}


def _rows(*messages: dict[str, object]) -> list[tuple[str, float, float, str, str]]:
    found = activities([snapshot(0, 0, IDLE), *messages])["1"]
    return [(a.activity, *_seconds(a.start_us, a.end_us), a.begun_by, a.ended_by) for a in found]


def _passes(*messages: dict[str, object]) -> list[tuple[str | None, float, float, str, bool]]:
    found: list[Pass] = passes([snapshot(0, 0, IDLE), *messages])["1"]
    return [(p.panel, *_seconds(p.start_us, p.end_us), p.outcome, p.is_whole) for p in found]


def _seconds(start_us: int, end_us: int) -> tuple[float, float]:
    return (start_us - BASE_US) / SECOND_US, (end_us - BASE_US) / SECOND_US


def test_a_begin_ends_the_activity_before_it_and_an_end_of_another_one_ends_nothing() -> None:
    found = _rows(begin(1, 1, "load"), end(2, 2, "unload"), begin(3, 3, "process"), end(4, 9, "process"))
    assert found == [("load", 1, 3, "event", "next"), ("process", 3, 9, "event", "event")]


def test_a_snapshot_ends_what_it_does_not_tell_of_and_begins_what_it_tells() -> None:
    told = [begin(1, 1, "process", panel="p-1"), snapshot(1, 5, P_1)]
    assert _rows(*told) == [("process", 1, 5, "event", "open")]
    other = {"1": {"activity": "process", "panel": "p-2"}, "2": {}}
    found = [("process", 1, 6, "event", "snapshot"), ("process", 6, 8, "snapshot", "snapshot")]
    assert _rows(*told, snapshot(1, 6, other), snapshot(1, 8, IDLE)) == found


def test_a_new_boot_ends_all_where_the_boot_before_was_last_heard_of() -> None:
    found = _rows(begin(1, 1, "process"), event(2, 4, "calibration"), snapshot(0, 60, IDLE, boot=2))
    assert found == [("process", 1, 4, "event", "boot")]


def test_a_pass_is_whole_from_load_begin_to_unload_end_and_the_next_panel_ends_one_that_was_not_unloaded() -> None:
    whole = [begin(1, 1, "load", panel="p-1"), begin(2, 3, "process"), begin(3, 7, "unload"), end(4, 9, "unload")]
    cut = [begin(5, 10, "load", panel="p-2"), begin(6, 12, "process"), end(7, 20, "process")]
    assert _passes(*whole, *cut) == [("p-1", 1, 9, "ended", True), ("p-2", 10, 20, "present", False)]
    third = begin(8, 30, "load", panel="p-3")
    assert _passes(*whole, *cut, third)[1:] == [("p-2", 10, 20, "ended", False), ("p-3", 30, 30, "present", False)]


def test_a_pass_goes_on_in_a_new_boot_that_tells_of_its_panel() -> None:
    told = [begin(1, 1, "load", panel="p-1"), snapshot(0, 60, IDLE, boot=2)]
    again = [begin(1, 61, "load", boot=2, panel="p-1"), end(2, 70, "load", boot=2)]
    assert _passes(*told, *again) == [("p-1", 1, 70, "present", False)]
    nameless = [begin(1, 1, "load"), snapshot(0, 60, IDLE, boot=2), begin(1, 61, "load", boot=2)]
    assert [one[1:3] for one in _passes(*nameless)] == [(1, 1), (61, 61)]
