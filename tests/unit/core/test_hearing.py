"""When a controller told something, and how long it was silent."""

import pytest

from zoneledger.core.hearing import Fall, Heard, Kind, falls_of, kinds_of, late_starts, longest_pause


def event(at: int, *, boot: int = 1, seq: int = 1, arrived: int | None = None, kind: str = "wait") -> Heard:
    """Return an event that arrived as it happened, unless told."""
    return Heard(boot, seq, at, at if arrived is None else arrived, kind)


def snapshot(at: int, *, boot: int = 1, seq: int = 0) -> Heard:
    """Return a snapshot."""
    return Heard(boot, seq, at, None, "snapshot")


def test_messages_are_counted_by_type_with_their_first_and_last_time() -> None:
    told = [event(30), event(10), snapshot(20), event(25, kind="alarm")]
    assert kinds_of(told) == {"alarm": Kind(1, 25, 25), "snapshot": Kind(1, 20, 20), "wait": Kind(2, 10, 30)}


@pytest.mark.parametrize(
    ("times", "off", "is_up", "pause"),
    [
        ([10, 20, 45, 50], None, False, (20, 45)),
        ([10, 20, 45, 50], 30, False, (10, 20)),
        ([10, 20, 45, 50], 5, False, (20, 45)),
        ([10, 20, 45, 50], None, True, (50, 100)),
        ([-40, 8, 10, 90, 95], None, True, (10, 90)),
        ([-40, 30, 95], None, True, (30, 95)),
        ([-40, 70, 95], None, True, (0, 70)),
        ([10, 20], None, True, (20, 100)),
        ([10, 20], None, False, (10, 20)),
        ([99], None, False, None),
        ([], None, True, None),
    ],
)
def test_the_longest_pause_is_cut_to_its_time_and_is_none_while_the_link_is_down(
    times: list[int], off: int | None, is_up: bool, pause: tuple[int, int] | None
) -> None:
    assert longest_pause([event(at) for at in times], 0, 100, off, is_up=is_up) == pause


def test_a_start_of_the_controller_is_no_pause_of_one_that_runs() -> None:
    told = [event(10), event(20), event(80, boot=2), event(95, boot=2)]
    assert longest_pause(told, 0, 100, None, is_up=True) == (80, 95)


def test_a_boot_that_tells_something_after_a_higher_one_has_fallen() -> None:
    told = [event(10, boot=7), event(20, boot=7, seq=2), event(30, boot=3), event(40, boot=3, seq=2), event(5, boot=2)]
    assert falls_of(told) == [Fall(3, 7, 40)]


def test_late_messages_of_an_earlier_boot_are_no_fall_and_neither_is_a_clock_that_was_set_back() -> None:
    assert falls_of([event(10, boot=1, arrived=99), event(20, boot=2)]) == []
    assert falls_of([event(50, boot=1), event(20, boot=2, arrived=60)]) == []
    assert falls_of([snapshot(50, boot=1), event(20, boot=2)]) == []


def test_a_boot_that_begins_with_its_first_event_wants_a_snapshot_soon() -> None:
    assert late_starts([event(10), snapshot(14, seq=1)], 5) == []
    assert late_starts([event(10), snapshot(16, seq=1)], 5) == [event(10)]
    assert late_starts([snapshot(10), event(11), snapshot(40)], 5) == []
    assert late_starts([event(10, seq=9), snapshot(40)], 5) == []
    assert late_starts([event(10), event(12, seq=2)], 5) == []
    assert late_starts([event(10), event(22, seq=2)], 5) == [event(10)]
    assert late_starts([], 5) == []
