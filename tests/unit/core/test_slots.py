"""Slots: a line's time cut at its shifts and at local midnights."""

from datetime import date, time
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.calendar import HOUR_US, day_window, midnight_us, periods
from zoneledger.core.plant import Line, ShiftPattern
from zoneledger.core.shifts import instances
from zoneledger.core.slots import cuts_us, slots

BERLIN = ZoneInfo("Europe/Berlin")
ALWAYS = date(2026, 1, 1)
NIGHT = ShiftPattern("night", time(22), time(6), "FREQ=DAILY", ALWAYS)
EARLY = ShiftPattern("early", time(6), time(14), "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR", ALWAYS)
LINE = Line("line", (NIGHT, EARLY))


def test_a_day_is_cut_at_its_shifts() -> None:
    start_us, end_us = day_window(BERLIN, date(2026, 11, 25))
    lengths = [(b - a) // HOUR_US for a, b in slots(LINE, BERLIN, start_us, end_us)]
    assert lengths == [6, 8, 8, 2]


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 10, 25), [7, 8, 8, 2]), (date(2027, 3, 28), [5, 8, 8, 2])])
def test_a_slot_over_a_clock_change_is_as_long_as_it_really_was(day: date, hours: list[int]) -> None:
    """Both are Sundays, without an early shift; the night's end and begin cut them."""
    found = [(b - a) // HOUR_US for a, b in slots(LINE, BERLIN, *day_window(BERLIN, day))]
    assert found == [hours[0], hours[1] + hours[2], hours[3]]


def test_a_line_without_shifts_is_cut_at_midnights_only() -> None:
    bounds = midnight_us(date(2026, 11, 20), BERLIN), midnight_us(date(2026, 11, 27), BERLIN)
    days = [(start_us, end_us) for _, start_us, end_us in periods("day", BERLIN, *bounds)]
    assert slots(Line("line"), BERLIN, *bounds) == days
    assert slots(LINE, BERLIN, bounds[0], bounds[0]) == []


@given(
    first=st.integers(0, 400),
    length=st.integers(1, 90 * 24),
    zone=st.sampled_from(["UTC", "Europe/Berlin", "Pacific/Apia"]),
)
def test_every_shift_day_week_and_month_in_a_window_is_a_row_of_whole_slots(first: int, length: int, zone: str) -> None:
    tz = ZoneInfo(zone)
    start_us = midnight_us(date(2026, 1, 5), tz) + first * HOUR_US
    end_us = start_us + length * HOUR_US
    found = slots(LINE, tz, start_us, end_us)
    assert found[0][0] == start_us
    assert found[-1][1] == end_us
    assert all(one[1] == other[0] for one, other in pairwise(found))
    edges = {start_us, *cuts_us(LINE, tz, start_us, end_us), end_us}
    wholes = [(one.start_us, one.end_us) for one in instances(LINE, tz, start_us, end_us)]
    wholes += [(a, b) for kind in ("day", "week", "month") for _, a, b in periods(kind, tz, start_us, end_us)]
    assert all(us in edges for whole in wholes for us in whole if start_us <= us <= end_us)
