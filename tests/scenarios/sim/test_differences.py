"""What the checker says of a service's account of time where messages are missing: unknown as long as it has to be, no longer."""

from typing import Any

from zoneledger_sim.clock import rfc3339
from zoneledger_sim.condition import Standing
from zoneledger_sim.differences import Difference, Differences
from zoneledger_sim.fates import Fates
from zoneledger_sim.truth import Truth

CELL = "harbour/wing-1/cell-1"
START_US = 1_795_586_400_000_000
RUNNING: Standing = ("running", "process")
Spans = list[tuple[int, int, Standing]]


def _at(second: float) -> int:
    return START_US + round(second * 1_000_000)


def _snapshot(seq: int, second: float) -> dict[str, Any]:
    return {"boot": 1, "seq": seq, "at": rfc3339(_at(second)), "type": "snapshot", "zones": {}, "alarms": []}


def _own(seq: int, second: float) -> dict[str, Any]:
    return {"boot": 1, "seq": seq, "at": rfc3339(_at(second)), "type": "own"}


SENT = [_snapshot(0, 0), _own(1, 10), _own(2, 20), _own(3, 30), _snapshot(3, 40), _snapshot(3, 100)]


def _compared(
    missing: int | None, *known: tuple[float, float, Standing], sent: list[dict[str, Any]] = SENT
) -> Difference:
    """Hold spans against 100 s of running of which one event, perhaps, is not stored."""
    fates = Fates()
    line = {"line": "sent", "payload": 1, "cell": CELL, "messages": sent}
    fates.take_line(line)
    for message in sent:
        row = {"cell": CELL, **message, "message": message}
        if message["type"] == "snapshot":
            fates.take_snapshot(row)
        elif message["seq"] != missing:
            fates.take_event(row)
    truth = Truth(START_US)
    truth.add(CELL).change(START_US, RUNNING)
    truth.until_us = _at(100)
    differences = Differences(truth, fates)
    differences.take_line(line)
    differences.settle()
    (window,) = differences.windows(CELL)
    told: Spans = [(_at(start), _at(end), standing) for start, end, standing in known]
    differences.take_spans(CELL, window, told)
    return differences.units[CELL]


def _seconds(found: Difference) -> tuple[float, float, float]:
    return found.wrong_us / 1e6, found.unexplained_us / 1e6, found.unproven_us / 1e6


def test_where_nothing_is_missing_all_has_to_be_known() -> None:
    assert _seconds(_compared(None, (0, 100, RUNNING))) == (0, 0, 0)
    assert _seconds(_compared(None, (0, 60, RUNNING), (61, 100, RUNNING))) == (0, 1, 0)


def test_unknown_from_the_message_before_a_gap_to_the_snapshot_after_it_is_right() -> None:
    assert _seconds(_compared(2, (0, 10, RUNNING), (40, 100, RUNNING))) == (0, 0, 0)


def test_unknown_beyond_that_is_a_difference() -> None:
    assert _seconds(_compared(2, (0, 9.5, RUNNING), (50, 100, RUNNING))) == (0, 10.5, 0)


def test_known_within_that_is_one_too_though_it_is_the_truth() -> None:
    assert _seconds(_compared(2, (0, 100, RUNNING))) == (0, 0, 30)
    assert _compared(2, (0, 100, RUNNING)).time_us == 30_000_000


def test_another_state_than_the_truth_is_wrong_wherever_it_is() -> None:
    assert _seconds(_compared(2, (0, 10, RUNNING), (40, 90, RUNNING), (90, 100, ("idle", "panel")))) == (10, 0, 0)


def test_of_a_cell_that_told_1970_unknown_time_is_no_difference_and_wrong_time_is() -> None:
    unset = [*SENT[:3], _own(3, 30) | {"at": "1970-01-01T00:00:30Z"}, *SENT[4:]]
    assert _seconds(_compared(None, (0, 20, RUNNING), (40, 100, RUNNING), sent=unset)) == (0, 0, 0)
    assert _seconds(_compared(None, (0, 20, RUNNING), (40, 100, ("idle", "panel")), sent=unset)) == (60, 0, 0)
