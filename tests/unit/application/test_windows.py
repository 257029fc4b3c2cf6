"""Which windows a request means, and what a wrong one is told."""

from dataclasses import replace
from datetime import date, time

import pytest

from tests.unit.application.plant import EARLY, unit
from zoneledger.application.windows import (
    Asked,
    ShiftsAround,
    Window,
    present_window,
    series_of,
    shifts_around,
    window_after,
    window_before,
    window_of,
)
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import ShiftUnknown, WindowInvalid
from zoneledger.core.plant import ShiftPattern
from zoneledger.core.validation import parse_instant

CELL = unit("harbour/wing-1/cell-1")
HOUR_US = 3_600_000_000


def us(text: str) -> int:
    """Return an instant."""
    return parse_instant("instant", text)


#: A Wednesday, in the early shift; the line's shifts are those of weekdays, from 6 to 14.
NOW_US = us("2026-11-25T09:00:00Z")


def test_a_window_is_its_start_and_end() -> None:
    assert window_of(CELL, Asked(start_us=5, end_us=6), NOW_US) == Window(5, 6)


def test_a_window_is_a_shift_of_the_units_line() -> None:
    start_us = us("2026-11-25T06:00:00Z")
    expected = Window(start_us, start_us + 8 * HOUR_US, "2026-11-25/early", "2026-11-25/early")
    for path in ("harbour/wing-1", "harbour/wing-1/cell-1", "harbour/wing-1/cell-1/2"):
        assert window_of(unit(path), Asked(shift="2026-11-25/early"), NOW_US) == expected


def test_a_window_is_a_day_of_the_site_as_long_as_it_was() -> None:
    window = window_of(CELL, Asked(day=date(2026, 10, 25)), NOW_US)
    assert (window.end_us - window.start_us, window.label) == (25 * HOUR_US, "2026-10-25")


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (Asked(), "A window is either start and end"),
        (Asked(start_us=1, end_us=2, day=date(2026, 1, 1)), "A window is either start and end"),
        (Asked(shift="2026-11-25/early", day=date(2026, 1, 1)), "A window is either start and end"),
        (Asked(start_us=1), "A window needs both start and end"),
        (Asked(end_us=1), "A window needs both start and end"),
        (Asked(start_us=2, end_us=2), "A window's end should lie after its start"),
        (Asked(start_us=2, end_us=1), "A window's end should lie after its start"),
        (Asked(start_us=0, end_us=400 * DAY_US + 1), "A window is at most 400 days long"),
    ],
)
def test_a_wrong_window_is_told_what_would_be_right(asked: Asked, told: str) -> None:
    with pytest.raises(WindowInvalid) as error:
        window_of(CELL, asked, NOW_US)
    assert str(error.value).startswith(told)


def test_the_longest_window_is_taken() -> None:
    assert window_of(CELL, Asked(start_us=0, end_us=400 * DAY_US), NOW_US).end_us == 400 * DAY_US


@pytest.mark.parametrize(
    "shift", ["2026-11-28/early", "2026-11-25/late", "2026-13-01/early", "early", "", "0000-01-01/early"]
)
def test_a_shift_that_does_not_exist_names_those_that_do(shift: str) -> None:
    with pytest.raises(ShiftUnknown) as error:
        window_of(CELL, Asked(shift=shift), NOW_US)
    assert "its shifts: early" in str(error.value)


@pytest.mark.parametrize(
    ("shift", "told"),
    [
        (
            "2026-02-30/early",
            "There is no date 2026-02-30, and so no shift of harbour/wing-1 on it; its shifts: early.",
        ),
        ("2026-11-25/late", "harbour/wing-1 has no shift 'late'; its shifts: early."),
        ("2026-11-25/early ", "harbour/wing-1 has no shift 'early '; its shifts: early."),
        ("2026-11-25/\x1b[31m", "harbour/wing-1 has no shift '\\x1b[31m'; its shifts: early."),
        ("2026-11-28/early", "harbour/wing-1 has no shift 'early' on 2026-11-28, a Saturday; its shifts: early."),
        (
            "2026-01-02/early",
            "harbour/wing-1 has its shift 'early' since 2026-01-05, and none on 2026-01-02; its shifts: early.",
        ),
    ],
)
def test_a_shift_that_does_not_exist_is_told_what_is_wrong_with_it(shift: str, told: str) -> None:
    with pytest.raises(ShiftUnknown) as error:
        window_of(CELL, Asked(shift=shift), NOW_US)
    assert str(error.value) == told


@pytest.mark.parametrize("shift", ["early", "", "2026-11-25", "20261125/early", "Now", "last/early", "/"])
def test_what_is_no_address_of_a_shift_is_told_how_one_is_written(shift: str) -> None:
    with pytest.raises(ShiftUnknown, match="such as 2026-11-25/early, or now, or last; its shifts: early"):
        window_of(CELL, Asked(shift=shift), NOW_US)


@pytest.mark.parametrize("now", ["2026-11-25T06:00:00Z", "2026-11-25T13:59:59.999999Z"])
def test_the_shift_of_now_is_the_one_that_lasts(now: str) -> None:
    expected = window_of(CELL, Asked(shift="2026-11-25/early"), NOW_US)
    for path in ("harbour/wing-1", "harbour/wing-1/cell-1", "harbour/wing-1/cell-1/2"):
        assert window_of(unit(path), Asked(shift="now"), us(now)) == expected


@pytest.mark.parametrize(
    ("now", "told"),
    [
        (
            "2026-11-25T05:59:59.999999Z",
            "harbour/wing-1 is in no shift now, at 2026-11-25 05:59 (Europe/Lisbon): the last one, 2026-11-24/early, ended at "
            "2026-11-24 14:00; the next one, 2026-11-25/early, begins at 2026-11-25 06:00.",
        ),
        (
            "2026-11-27T14:00:00Z",
            "harbour/wing-1 is in no shift now, at 2026-11-27 14:00 (Europe/Lisbon): the last one, 2026-11-27/early, ended at "
            "2026-11-27 14:00; the next one, 2026-11-30/early, begins at 2026-11-30 06:00.",
        ),
        (
            "2026-01-01T00:00:00Z",
            "harbour/wing-1 is in no shift now, at 2026-01-01 00:00 (Europe/Lisbon): none ended in the 31 days before; "
            "the next one, 2026-01-05/early, begins at 2026-01-05 06:00.",
        ),
    ],
)
def test_outside_of_shifts_the_shift_of_now_names_those_beside_it(now: str, told: str) -> None:
    with pytest.raises(ShiftUnknown) as error:
        window_of(CELL, Asked(shift="now"), us(now))
    assert str(error.value) == told


@pytest.mark.parametrize(
    ("now", "shift"),
    [
        ("2026-11-25T05:59:59Z", "2026-11-24/early"),
        ("2026-11-25T13:59:59.999999Z", "2026-11-24/early"),
        ("2026-11-25T14:00:00Z", "2026-11-25/early"),
        ("2026-11-30T05:59:00Z", "2026-11-27/early"),
    ],
)
def test_the_last_shift_is_the_one_that_ended_last(now: str, shift: str) -> None:
    assert window_of(CELL, Asked(shift="last"), us(now)).shift == shift


def test_where_no_shift_ended_yet_the_last_one_names_the_one_that_lasts_and_the_next() -> None:
    with pytest.raises(ShiftUnknown) as error:
        window_of(CELL, Asked(shift="last"), us("2026-01-05T08:00:00Z"))
    assert str(error.value) == (
        "harbour/wing-1 has no last shift now, at 2026-01-05 08:00 (Europe/Lisbon): none ended in the 31 days before; "
        "2026-01-05/early lasts now; the next one, 2026-01-06/early, begins at 2026-01-06 06:00."
    )


@pytest.mark.parametrize("shift", ["now", "last"])
def test_a_shift_of_now_is_told_where_there_are_none(shift: str) -> None:
    with pytest.raises(ShiftUnknown, match="harbour/wing-2 has no shifts: ask for a day, or for start and end"):
        window_of(unit("harbour/wing-2"), Asked(shift=shift), NOW_US)
    with pytest.raises(WindowInvalid, match="shifts belong to lines"):
        window_of(unit("harbour"), Asked(shift=shift), NOW_US)


def _ids(around: ShiftsAround) -> list[str | None]:
    return [None if one is None else one.shift for one in around]


def test_around_an_instant_lie_the_shifts_that_last_began_ended_and_come() -> None:
    at = {
        "2026-11-25T09:00:00Z": ["2026-11-25/early", "2026-11-25/early", "2026-11-24/early", "2026-11-26/early"],
        "2026-11-27T14:00:00Z": [None, "2026-11-27/early", "2026-11-27/early", "2026-11-30/early"],
        "2026-01-05T06:00:00Z": ["2026-01-05/early", "2026-01-05/early", None, "2026-01-06/early"],
        "2026-01-01T00:00:00Z": [None, None, None, "2026-01-05/early"],
    }
    assert {now: _ids(shifts_around(CELL, us(now))) for now in at} == at
    for path in ("harbour", "harbour/wing-2"):
        assert _ids(shifts_around(unit(path), NOW_US)) == [None] * 4


def test_of_shifts_that_overlap_the_one_that_began_last_lasts_and_the_one_that_ended_last_is_over() -> None:
    assert CELL.line is not None
    within = ShiftPattern("short", time(8), time(10), EARLY.repeats, EARLY.since)
    overlapping = replace(CELL, line=replace(CELL.line, shifts=(EARLY, within)))
    at = {
        "2026-11-25T09:00:00Z": ["2026-11-25/short", "2026-11-25/short", "2026-11-24/early", "2026-11-26/early"],
        "2026-11-25T12:00:00Z": ["2026-11-25/early", "2026-11-25/short", "2026-11-25/short", "2026-11-26/early"],
        "2026-11-25T15:00:00Z": [None, "2026-11-25/short", "2026-11-25/early", "2026-11-26/early"],
    }
    assert {now: _ids(shifts_around(overlapping, us(now))) for now in at} == at


def test_only_what_is_asked_for_as_now_or_last_moves() -> None:
    assert [Asked(shift=shift).moves for shift in ("now", "last", "2026-11-25/early", None)] == [
        True,
        True,
        False,
        False,
    ]


def test_before_a_shift_lies_the_one_before_it_within_31_days() -> None:
    monday = window_of(CELL, Asked(shift="2026-11-30/early"), NOW_US)
    assert window_before(CELL, monday).shift == "2026-11-27/early"
    first = window_of(CELL, Asked(shift="2026-01-05/early"), NOW_US)
    with pytest.raises(ShiftUnknown, match="no shift in the 31 days before 2026-01-05/early"):
        window_before(CELL, first)
    assert window_before(CELL, Window(8, 11)) == Window(5, 8)


def test_a_line_without_shifts_says_so() -> None:
    with pytest.raises(ShiftUnknown, match="harbour/wing-2 has no shifts: ask for a day, or for start and end"):
        window_of(unit("harbour/wing-2"), Asked(shift="2026-11-25/early"), NOW_US)


def test_a_site_has_no_shifts() -> None:
    with pytest.raises(WindowInvalid, match="shifts belong to lines"):
        window_of(unit("harbour"), Asked(shift="2026-11-25/early"), NOW_US)
    with pytest.raises(WindowInvalid, match="shifts belong to lines"):
        series_of(unit("harbour"), Window(0, DAY_US), "shift")


def test_a_series_by_hour_partitions_its_window() -> None:
    window = Window(us("2026-11-25T06:30:00Z"), us("2026-11-25T09:15:00Z"))
    parts = series_of(CELL, window, "hour")
    assert [part.start_us for part in parts] == [window.start_us, *(part.end_us for part in parts[:-1])]
    assert parts[-1].end_us == window.end_us
    assert [part.label for part in parts][1:] == [f"2026-11-25T0{hour}:00:00Z" for hour in (7, 8, 9)]


@pytest.mark.parametrize(("by", "number"), [("day", 14), ("week", 3), ("month", 2)])
def test_a_series_by_calendar_periods_partitions_its_window(by: str, number: int) -> None:
    window = Window(us("2026-10-20T00:00:00+01:00"), us("2026-11-03T00:00:00Z"))
    parts = series_of(CELL, window, by)
    edges = [window.start_us, *(part.end_us for part in parts)]
    assert [part.start_us for part in parts] == edges[:-1]
    assert edges[-1] == window.end_us
    assert len(parts) == number


def test_a_series_by_shift_has_the_shifts_that_begin_in_it_whole() -> None:
    window = Window(us("2026-11-25T06:00:00Z"), us("2026-11-30T06:00:00Z"))
    parts = series_of(CELL, window, "shift")
    assert [part.label for part in parts] == [f"2026-11-{day}/early" for day in (25, 26, 27)]
    assert all(part.end_us - part.start_us == 8 * HOUR_US for part in parts)
    assert len(series_of(CELL, Window(window.start_us + 1, window.end_us + 1), "shift")) == 3


def test_a_series_of_too_many_points_is_refused_with_their_number() -> None:
    assert len(series_of(CELL, Window(0, 2000 * HOUR_US), "hour")) == 2000
    with pytest.raises(WindowInvalid, match="has 2001 points; at most 2000"):
        series_of(CELL, Window(0, 2000 * HOUR_US + 1), "hour")


def test_the_present_window_is_the_shift_that_began_last_however_long_it_is_over() -> None:
    assert present_window(CELL, us("2026-11-25T06:00:00Z")).shift == "2026-11-25/early"
    assert present_window(CELL, us("2026-11-25T23:00:00Z")).shift == "2026-11-25/early"
    assert present_window(CELL, us("2026-11-25T05:59:59Z")).shift == "2026-11-24/early"


def test_without_shifts_the_present_window_is_today() -> None:
    window = present_window(unit("harbour"), us("2026-11-25T23:00:00Z"))
    assert (window.shift, window.label) == (None, "2026-11-25")


def test_after_a_shift_comes_the_next_after_a_day_the_next_day_and_after_a_span_as_much_time() -> None:
    friday = window_of(CELL, Asked(shift="2026-11-27/early"), NOW_US)
    following = window_after(CELL, friday)
    assert following is not None
    assert following.shift == "2026-11-30/early"
    day = window_after(CELL, window_of(CELL, Asked(day=date(2026, 10, 24)), NOW_US))
    assert day is not None
    assert (day.label, day.end_us - day.start_us) == ("2026-10-25", 25 * HOUR_US)
    assert window_after(CELL, Window(5, 8)) == Window(8, 11)
