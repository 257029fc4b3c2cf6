"""Which windows a request means, and what a wrong one is told."""

from datetime import date

import pytest

from tests.unit.application.plant import unit
from zoneledger.application.windows import Asked, Window, present_window, series_of, window_after, window_of
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import ShiftUnknown, WindowInvalid
from zoneledger.core.validation import parse_instant

CELL = unit("harbour/wing-1/cell-1")
HOUR_US = 3_600_000_000


def us(text: str) -> int:
    """Return an instant."""
    return parse_instant("instant", text)


def test_a_window_is_its_start_and_end() -> None:
    assert window_of(CELL, Asked(start_us=5, end_us=6)) == Window(5, 6)


def test_a_window_is_a_shift_of_the_units_line() -> None:
    start_us = us("2026-11-25T06:00:00Z")
    expected = Window(start_us, start_us + 8 * HOUR_US, "2026-11-25/early", "2026-11-25/early")
    for path in ("harbour/wing-1", "harbour/wing-1/cell-1", "harbour/wing-1/cell-1/2"):
        assert window_of(unit(path), Asked(shift="2026-11-25/early")) == expected


def test_a_window_is_a_day_of_the_site_as_long_as_it_was() -> None:
    window = window_of(CELL, Asked(day=date(2026, 10, 25)))
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
        window_of(CELL, asked)
    assert str(error.value).startswith(told)


def test_the_longest_window_is_taken() -> None:
    assert window_of(CELL, Asked(start_us=0, end_us=400 * DAY_US)).end_us == 400 * DAY_US


@pytest.mark.parametrize(
    "shift", ["2026-11-28/early", "2026-11-25/late", "2026-13-01/early", "early", "", "0000-01-01/early"]
)
def test_a_shift_that_does_not_exist_names_those_that_do(shift: str) -> None:
    with pytest.raises(ShiftUnknown) as error:
        window_of(CELL, Asked(shift=shift))
    assert "its shifts: early" in str(error.value)


def test_a_line_without_shifts_says_so() -> None:
    with pytest.raises(ShiftUnknown, match="its shifts: none"):
        window_of(unit("harbour/wing-2"), Asked(shift="2026-11-25/early"))


def test_a_site_has_no_shifts() -> None:
    with pytest.raises(WindowInvalid, match="shifts belong to lines"):
        window_of(unit("harbour"), Asked(shift="2026-11-25/early"))
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
    friday = window_of(CELL, Asked(shift="2026-11-27/early"))
    following = window_after(CELL, friday)
    assert following is not None
    assert following.shift == "2026-11-30/early"
    day = window_after(CELL, window_of(CELL, Asked(day=date(2026, 10, 24))))
    assert day is not None
    assert (day.label, day.end_us - day.start_us) == ("2026-10-25", 25 * HOUR_US)
    assert window_after(CELL, Window(5, 8)) == Window(8, 11)
