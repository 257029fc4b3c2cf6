"""Shifts as they really were on the clock, and the planned time of a line."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.calendar import local_time
from zoneledger.core.plant import Cell, Line, Plant, Site
from zoneledger.core.shifts import find_instance, instances, planned, planned_of
from zoneledger.core.slots import cuts_us

from .declared import BERLIN, HOUR_US, LORD_HOWE, MINUTE_US, ZONE_NAMES, line_with, pattern, us

NIGHT = pattern("night", "22:00", "06:00", stops=(("meal", "01:00", "01:30"), ("tea", "23:45", "00:15")))
EARLY = pattern("early", "06:00", "14:00", stops=(("meal", "10:00", "10:30"),))


def length_h(line: Line, tz: ZoneInfo, shift_id: str) -> float:
    found = find_instance(line, tz, shift_id)
    assert found is not None
    return (found.end_us - found.start_us) / HOUR_US


@pytest.mark.parametrize(
    ("shift_id", "hours"), [("2026-10-24/night", 9.0), ("2027-03-27/night", 7.0), ("2026-10-23/night", 8.0)]
)
def test_a_night_in_berlin_is_as_long_as_it_really_was(shift_id: str, hours: float) -> None:
    # The IANA time zone database: summer time ends on 2026-10-25 and begins on 2027-03-28.
    assert length_h(line_with(NIGHT), BERLIN, shift_id) == hours


@pytest.mark.parametrize(("shift_id", "hours"), [("2026-04-04/night", 8.5), ("2026-10-03/night", 7.5)])
def test_the_clocks_of_lord_howe_change_by_half_an_hour(shift_id: str, hours: float) -> None:
    line = line_with(pattern("night", "22:00", "06:00"))
    assert length_h(line, LORD_HOWE, shift_id) == hours


def test_a_time_that_occurs_twice_is_the_first_and_one_that_does_not_occur_has_the_offset_before() -> None:
    # RFC 5545 3.3.5: "refers to the first occurrence" and "interpreted using the UTC offset before the gap".
    line = line_with(pattern("odd", "02:30", "05:00"))
    twice = find_instance(line, BERLIN, "2026-10-25/odd")
    never = find_instance(line, BERLIN, "2027-03-28/odd")
    assert twice is not None
    assert never is not None
    assert (twice.start_us, twice.end_us) == (us("2026-10-25T00:30:00Z"), us("2026-10-25T04:00:00Z"))
    assert (never.start_us, never.end_us) == (us("2027-03-28T01:30:00Z"), us("2027-03-28T03:00:00Z"))


def test_a_shift_that_the_clocks_leave_nothing_of_does_not_take_place() -> None:
    line = line_with(pattern("odd", "02:45", "03:15"))
    assert find_instance(line, BERLIN, "2027-03-28/odd") is None
    assert find_instance(line, BERLIN, "2027-03-29/odd") is not None
    assert instances(line, BERLIN, us("2027-03-28T00:00:00Z"), us("2027-03-28T12:00:00Z")) == []


def test_a_shift_from_six_to_six_lasts_until_the_next_day() -> None:
    line = line_with(pattern("whole", "06:00", "06:00"))
    assert length_h(line, BERLIN, "2026-06-01/whole") == 24
    assert length_h(line, BERLIN, "2026-10-24/whole") == 25
    assert planned(line, BERLIN, us("2026-10-01T00:00:00Z"), us("2026-11-01T00:00:00Z")) == [
        (us("2026-10-01T00:00:00Z"), us("2026-11-01T00:00:00Z"))
    ]


def test_stops_belong_to_the_shift_after_midnight_too() -> None:
    found = find_instance(line_with(NIGHT), BERLIN, "2026-06-01/night")
    assert found is not None
    assert found.stops == (
        ("tea", us("2026-06-01T21:45:00Z"), us("2026-06-01T22:15:00Z")),
        ("meal", us("2026-06-01T23:00:00Z"), us("2026-06-01T23:30:00Z")),
    )
    assert found.planned() == [
        (us("2026-06-01T20:00:00Z"), us("2026-06-01T21:45:00Z")),
        (us("2026-06-01T22:15:00Z"), us("2026-06-01T23:00:00Z")),
        (us("2026-06-01T23:30:00Z"), us("2026-06-02T04:00:00Z")),
    ]


def test_a_stop_may_begin_with_its_shift() -> None:
    line = line_with(pattern("early", "06:00", "14:00", stops=(("briefing", "06:00", "06:10"),)))
    found = find_instance(line, BERLIN, "2026-06-01/early")
    assert found is not None
    assert found.planned() == [(us("2026-06-01T04:10:00Z"), us("2026-06-01T12:00:00Z"))]


def test_a_stop_that_holds_an_hour_twice_is_two_hours_longer_than_it_looks_on_the_clock() -> None:
    line = line_with(pattern("night", "22:00", "06:00", stops=(("meal", "01:30", "03:30"),)))
    found = find_instance(line, BERLIN, "2026-10-24/night")
    assert found is not None
    [(_, start_us, end_us)] = found.stops
    assert end_us - start_us == 3 * HOUR_US


def test_instances_are_those_that_overlap_the_window_by_start() -> None:
    line = line_with(NIGHT, EARLY)
    ids = [each.id for each in instances(line, BERLIN, us("2026-06-02T03:59:59Z"), us("2026-06-02T20:00:00Z"))]
    assert ids == ["2026-06-01/night", "2026-06-02/early"]
    ids = [each.id for each in instances(line, BERLIN, us("2026-06-02T04:00:00Z"), us("2026-06-02T20:00:00.000001Z"))]
    assert ids == ["2026-06-02/early", "2026-06-02/night"]
    assert instances(line, BERLIN, us("2026-06-02T12:00:00Z"), us("2026-06-02T12:00:00Z")) == []
    assert instances(line, BERLIN, us("2026-06-02T13:00:00Z"), us("2026-06-02T12:00:00Z")) == []


def test_a_night_shift_of_new_year_is_found_in_the_new_year() -> None:
    found = instances(line_with(NIGHT), BERLIN, us("2027-01-01T01:00:00Z"), us("2027-01-01T02:00:00Z"))
    assert [each.id for each in found] == ["2026-12-31/night"]


@pytest.mark.parametrize(
    "shift_id",
    [
        "2026-01-04/early",
        "2026-06-01/late",
        "2026-06-01",
        "early",
        "",
        "2026-6-1/early",
        "20260601/early",
        "2026-02-30/early",
        "0000-01-01/early",
        "9999-12-31/early",
        "2026-06-01/early\n",
        "2026-W23-1/early",
    ],
)
def test_a_shift_that_does_not_exist_is_not_found(shift_id: str) -> None:
    assert find_instance(line_with(EARLY), BERLIN, shift_id) is None


def test_a_shift_is_found_where_another_pattern_has_its_name() -> None:
    until_june = pattern("early", repeats="FREQ=DAILY;UNTIL=20260531")
    from_june = pattern("early", starts="05:00", ends="13:00", since="2026-06-01")
    line = line_with(until_june, from_june)
    assert [length_h(line, BERLIN, f"2026-0{day}/early") for day in ("5-31", "6-01")] == [8, 8]
    found = find_instance(line, BERLIN, "2026-06-01/early")
    assert found is not None
    assert found.start_us == us("2026-06-01T03:00:00Z")


def test_a_line_without_shifts_is_planned_around_the_clock() -> None:
    assert planned(Line("wing-1"), BERLIN, 5, 9) == [(5, 9)]
    assert planned(Line("wing-1"), BERLIN, 9, 9) == []
    assert instances(Line("wing-1"), BERLIN, 5, 9) == []


def test_a_line_is_not_planned_before_its_first_shift() -> None:
    assert planned(line_with(EARLY), BERLIN, 0, us("2026-01-05T05:00:00Z")) == []


def test_planned_time_joins_shifts_cuts_out_stops_and_is_clipped() -> None:
    line = line_with(NIGHT, EARLY)
    assert planned(line, BERLIN, us("2026-06-02T02:00:00Z"), us("2026-06-02T08:15:00Z")) == [
        (us("2026-06-02T02:00:00Z"), us("2026-06-02T08:00:00Z"))
    ]
    assert planned(line, BERLIN, us("2026-06-02T08:15:00Z"), us("2026-06-02T21:00:00Z")) == [
        (us("2026-06-02T08:30:00Z"), us("2026-06-02T12:00:00Z")),
        (us("2026-06-02T20:00:00Z"), us("2026-06-02T21:00:00Z")),
    ]


def test_overlapping_shifts_are_united_before_their_time_is_summed() -> None:
    # checks.md, an open production log [read]: 07:00-08:15 twice and 16:05-16:38 twice last 108 min, not 216.
    line = line_with(*(pattern(name, *ends) for name, ends in (
        ("a", ("07:00", "08:15")), ("b", ("07:00", "08:15")), ("c", ("16:05", "16:38")), ("d", ("16:05", "16:38"))
    )))  # fmt: skip
    day = planned(line, BERLIN, us("2026-06-01T00:00:00Z"), us("2026-06-02T00:00:00Z"))
    assert sum(end - start for start, end in day) == 108 * MINUTE_US


@settings(deadline=None)
@given(
    st.sampled_from(ZONE_NAMES),
    st.lists(st.tuples(st.times(), st.times()), min_size=1, max_size=3),
    st.dates(date(2026, 1, 5), date(2027, 12, 1)),
    st.integers(1, 40 * 24),
)
def test_planned_time_is_what_a_minute_by_minute_look_at_the_shifts_finds(
    zone: str, ends: list[tuple[object, object]], day: date, hours: int
) -> None:
    tz = ZoneInfo(zone)
    line = line_with(*(pattern(f"s{i}", f"{a}"[:5], f"{b}"[:5]) for i, (a, b) in enumerate(ends)))
    start_us = us(f"{day}T00:00:00Z")
    end_us = start_us + hours * HOUR_US
    found = planned(line, tz, start_us, end_us)
    assert all(a[1] < b[0] for a, b in pairwise(found))
    every = [
        find_instance(line, tz, f"{day + timedelta(days=i)}/s{j}")
        for i in range(-2, hours // 24 + 3)
        for j in range(len(ends))
    ]
    for at_us in range(start_us, end_us, 7 * MINUTE_US * max(1, hours // 24)):
        within = any(each.start_us <= at_us < each.end_us for each in every if each)
        assert within == any(start <= at_us < end for start, end in found), local_time(at_us, tz)


def test_a_year_of_three_shifts_is_complete() -> None:
    late = pattern("late", "14:00", "22:00")
    line = line_with(pattern("early", "06:00", "14:00"), late, pattern("night", "22:00", "06:00"))
    start_us, end_us = us("2027-01-01T05:00:00Z"), us("2028-01-01T05:00:00Z")
    assert len(instances(line, BERLIN, start_us, end_us)) == 365 * 3
    assert planned(line, BERLIN, start_us, end_us) == [(start_us, end_us)]


def test_instances_know_their_local_date() -> None:
    found = instances(line_with(NIGHT), BERLIN, us("2026-06-01T00:00:00Z"), us("2026-06-03T00:00:00Z"))
    starts = [datetime.fromtimestamp(each.start_us / 1e6, UTC).astimezone(BERLIN) for each in found]
    assert [(each.id, each.name, each.date) for each in found] == [
        (f"{start:%Y-%m-%d}/night", "night", start.date()) for start in starts
    ]


def _plant(zone: str, line: Line, since: date | None) -> Plant:
    return Plant((Site("harbour", zone, (replace(line, cells=(Cell("cell-1", ("1",), since=since),)),)),))


def test_a_cell_has_planned_time_from_the_local_midnight_on_at_which_it_belongs_to_its_line() -> None:
    plant = _plant("Europe/Berlin", line_with(NIGHT, EARLY), date(2026, 6, 2))
    window = us("2026-06-01T00:00:00Z"), us("2026-06-02T12:00:00Z")
    cell = [
        # Midnight in Berlin is 22:00 UTC, and the meal of the night from 23:00 to 23:30 UTC.
        (us("2026-06-01T22:15:00Z"), us("2026-06-01T23:00:00Z")),
        (us("2026-06-01T23:30:00Z"), us("2026-06-02T08:00:00Z")),
        (us("2026-06-02T08:30:00Z"), us("2026-06-02T12:00:00Z")),
    ]
    for path in ("harbour/wing-1/cell-1", "harbour/wing-1/cell-1/1"):
        unit = plant.find(path)
        assert unit is not None
        assert planned_of(unit, *window) == cell
        assert planned_of(unit, window[0], us("2026-06-01T22:00:00Z")) == []
    line, site = plant.find("harbour/wing-1"), plant.find("harbour")
    assert line is not None
    assert site is not None
    assert planned_of(line, *window) == planned(line_with(NIGHT, EARLY), BERLIN, *window)
    assert planned_of(site, *window) == []


@settings(deadline=None)
@given(
    st.sampled_from(ZONE_NAMES),
    st.dates(date(2026, 1, 5), date(2027, 12, 1)),
    st.integers(-40 * 24, 40 * 24),
    st.integers(1, 40 * 24),
    st.booleans(),
)
def test_what_a_cell_has_since_a_date_is_what_its_line_has_from_a_cut_of_slots_on(
    zone: str, since: date, begin: int, hours: int, has_shifts: bool
) -> None:
    line = line_with(NIGHT, EARLY) if has_shifts else Line("wing-1")
    plant = _plant(zone, line, since)
    unit = plant.find("harbour/wing-1/cell-1")
    assert unit is not None
    joined_us = unit.since_us
    assert joined_us is not None
    assert local_time(joined_us, unit.tz).date() == since
    assert local_time(joined_us - 1, unit.tz).date() < since
    assert cuts_us(line, unit.tz, joined_us - 1, joined_us + 1) == [joined_us]
    start_us = us(f"{since}T00:00:00Z") + begin * HOUR_US
    end_us = start_us + hours * HOUR_US
    middle_us = min(max(start_us, joined_us), end_us)
    assert planned_of(unit, start_us, middle_us) == []
    assert planned_of(unit, start_us, end_us) == planned(line, unit.tz, middle_us, end_us)
