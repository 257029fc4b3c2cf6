"""The one table of states is complete: every condition has its state, every state its place."""

from itertools import product

import pytest

from zoneledger.core import states as s
from zoneledger.core.messages import ACTIVITIES, WAITS


def test_every_activity_has_a_state() -> None:
    assert s.ACTIVITY_STATE.keys() == set(ACTIVITIES)
    assert set(s.ACTIVITY_STATE.values()) == {s.RUNNING, s.CHANGEOVER}


def test_every_state_has_its_place_in_the_overlay_and_in_the_precedence() -> None:
    assert sorted(s.OVERLAY) == sorted(s.STATES)
    assert {state for _, state, _ in s.PRECEDENCE} == set(s.STATES)
    assert s.KNOWN_STATES == (s.RUNNING, s.IDLE, s.FAULT, s.CHANGEOVER)


@pytest.mark.parametrize(
    ("stop", "wait", "activity"), list(product((None, "e-7"), (None, *WAITS), (None, *ACTIVITIES))), ids=str
)
def test_a_zone_is_in_the_first_state_that_holds(stop: str | None, wait: str | None, activity: str | None) -> None:
    rules = [
        (stop is not None, (s.FAULT, stop)),
        (wait is not None, (s.IDLE, wait)),
        (activity in ("load", "unload", "setup"), (s.CHANGEOVER, activity)),
        (activity == "process", (s.RUNNING, activity)),
        (True, (s.IDLE, "unexplained")),
    ]
    assert s.zone_standing(stop, wait, activity) == next(standing for holds, standing in rules if holds)


@pytest.mark.parametrize(("one", "two"), list(product(s.STATES, s.STATES)))
def test_a_cell_runs_if_any_zone_runs_else_fault_changeover_idle_and_unknown_last(one: str, two: str) -> None:
    order = ["running", "fault", "changeover", "idle", "unknown"]
    state, reason = s.overlay([(one, "of 1"), (two, "of 2")], ["e-7"])
    assert state == min(one, two, key=order.index)
    expected = "of 1" if state == one else "of 2"
    assert reason == ("e-7" if state == "fault" else expected)


def test_the_reason_of_a_cells_fault_is_the_first_alarm_raised_in_any_of_its_zones() -> None:
    assert s.overlay([("fault", "later"), ("fault", "first")], ["first", "later"]) == ("fault", "first")
