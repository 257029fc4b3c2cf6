"""Activities in the ledger: what begins and ends each, and on what evidence."""

from typing import Any

import pytest

from tests.contract.payloads import activity, snapshot
from tests.unit.core.shown import book, second

Message = dict[str, Any]


def _rows(*messages: Message) -> list[tuple[str, int, int, str, str, str | None]]:
    rows = book(*messages).booked.activities
    return [(r.activity, second(r.start_us), second(r.end_us), r.begun_by, r.ended_by, r.outcome) for r in rows]


def _open(*messages: Message) -> list[tuple[str, str, int, str, str | None, str | None]]:
    opened = book(*messages).activities.open
    return [(z, o.activity, second(o.start_us), o.begun_by, o.program, o.panel) for z, o in opened.items()]


def test_an_activity_reaches_from_its_begin_to_its_end_with_what_was_told() -> None:
    begin = activity("begin", "process", 1, 5, program="skin", panel="p-1", planned={"automatic": 40, "manual": 2})
    (row,) = book(snapshot(), begin, activity("end", "process", 2, 50, outcome="aborted")).booked.activities
    assert (row.place, row.zone, row.activity) == ((1, 2, 0), "1", "process")
    assert (row.program, row.panel, row.automatic, row.manual, row.outcome) == ("skin", "p-1", 40, 2, "aborted")
    assert (second(row.start_us), second(row.end_us), row.begun_by, row.ended_by) == (5, 50, "event", "event")


def test_a_begin_ends_the_activity_before_it() -> None:
    found = _rows(snapshot(), activity("begin", "load", 1, 5), activity("begin", "process", 2, 9))
    assert found == [("load", 5, 9, "event", "next", None)]


def test_an_end_of_another_activity_ends_nothing() -> None:
    messages = snapshot(), activity("begin", "load", 1, 5), activity("end", "unload", 2, 9)
    assert _rows(*messages) == []
    assert _open(*messages) == [("1", "load", 5, "event", None, None)]


@pytest.mark.parametrize("told", [{}, {"panel": "p-1"}, {"program": "skin"}, {"program": "skin", "panel": "p-1"}])
def test_a_snapshot_that_tells_of_the_activity_leaves_it_whole(told: Message) -> None:
    begin = activity("begin", "process", 1, 5, program="skin", panel="p-1")
    shown = snapshot(1, 8, zones={"1": {"activity": "process"} | told, "2": {}})
    assert _rows(snapshot(), begin, shown) == []
    assert _open(snapshot(), begin, shown) == [("1", "process", 5, "event", "skin", "p-1")]


@pytest.mark.parametrize("told", [{"activity": "load"}, {"activity": "process", "panel": "p-2"}])
def test_a_snapshot_that_tells_of_another_one_ends_it_and_begins_that(told: Message) -> None:
    begin = activity("begin", "process", 1, 5, program="skin", panel="p-1")
    shown = snapshot(1, 8, zones={"1": told, "2": {}})
    assert _rows(snapshot(), begin, shown) == [("process", 5, 8, "event", "snapshot", None)]
    assert _open(snapshot(), begin, shown) == [("1", told["activity"], 8, "snapshot", None, told.get("panel"))]


@pytest.mark.parametrize("zones", [{"1": {}, "2": {}}, {"2": {}}])
def test_a_snapshot_that_tells_of_none_ends_it(zones: Message) -> None:
    messages = snapshot(), activity("begin", "process", 1, 5), snapshot(1, 8, zones=zones)
    assert _rows(*messages) == [("process", 5, 8, "event", "snapshot", None)]
    assert _open(*messages) == []


def test_a_new_boot_ends_all_where_the_one_before_was_last_heard_of() -> None:
    process = {"1": {"activity": "process"}, "2": {}}
    messages = snapshot(), activity("begin", "process", 1, 5), snapshot(1, 9, zones=process), snapshot(0, 60, boot=2)
    assert _rows(*messages) == [("process", 5, 9, "event", "boot", None)]


def test_what_a_snapshot_began_and_another_one_of_the_same_instant_ended_is_no_row() -> None:
    load, process = ({"1": {"activity": name}, "2": {}} for name in ("load", "process"))
    messages = snapshot(0, 5, zones=load), snapshot(0, 5, zones=process), activity("end", "process", 1, 9)
    assert _rows(*messages) == [("process", 5, 9, "snapshot", "event", None)]


def test_a_load_of_no_length_that_events_told_is_a_row() -> None:
    found = _rows(snapshot(), activity("begin", "load", 1, 5), activity("end", "load", 2, 5))
    assert found == [("load", 5, 5, "event", "event", None)]


def test_a_state_without_activities_as_earlier_versions_kept_it_can_be_read() -> None:
    booking = book(snapshot(), activity("begin", "load", 1, 5))
    older = type(booking).from_json(booking.to_json()[:5])
    assert older.activities.open == {}
    assert older.to_json()[:5] == booking.to_json()[:5]
