"""Windows split at the calendar periods of a site's zone."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.calendar import PeriodKind, day_window, local_time, periods

from .declared import BERLIN, HOUR_US, LORD_HOWE, ZONE_NAMES, us

KINDS: tuple[PeriodKind, ...] = ("hour", "day", "week", "month")


def test_days_are_as_long_as_they_really_were() -> None:
    def hours(zone: str, day: str) -> float:
        start_us, end_us = day_window(ZoneInfo(zone), date.fromisoformat(day))
        return (end_us - start_us) / HOUR_US

    assert hours("Europe/Berlin", "2026-10-25") == 25
    assert hours("Europe/Berlin", "2027-03-28") == 23
    assert hours("Australia/Lord_Howe", "2026-04-05") == 24.5
    assert hours("Australia/Lord_Howe", "2026-10-04") == 23.5
    assert hours("Pacific/Apia", "2011-12-30") == 0  # the date that Samoa skipped
    assert hours("Europe/Berlin", "2026-06-01") == 24


def test_days_weeks_and_months_are_clipped_to_the_window_and_labelled_whole() -> None:
    start_us, end_us = us("2026-12-30T12:00:00Z"), us("2027-01-04T12:00:00Z")
    assert periods("day", BERLIN, start_us, end_us)[:2] == [
        ("2026-12-30", start_us, us("2026-12-30T23:00:00Z")),
        ("2026-12-31", us("2026-12-30T23:00:00Z"), us("2026-12-31T23:00:00Z")),
    ]
    assert periods("week", BERLIN, start_us, end_us) == [
        ("2026-W53", start_us, us("2027-01-03T23:00:00Z")),
        ("2027-W01", us("2027-01-03T23:00:00Z"), end_us),
    ]
    assert periods("month", BERLIN, start_us, end_us) == [
        ("2026-12", start_us, us("2026-12-31T23:00:00Z")),
        ("2027-01", us("2026-12-31T23:00:00Z"), end_us),
    ]


def test_hours_are_labelled_by_the_utc_time_at_which_they_begin() -> None:
    start_us, end_us = us("2026-11-25T06:20:00Z"), us("2026-11-25T08:00:00Z")
    assert periods("hour", BERLIN, start_us, end_us) == [
        ("2026-11-25T06:00:00Z", start_us, us("2026-11-25T07:00:00Z")),
        ("2026-11-25T07:00:00Z", us("2026-11-25T07:00:00Z"), end_us),
    ]
    assert [label for label, _, _ in periods("hour", ZoneInfo("Asia/Kathmandu"), start_us, end_us)] == [
        "2026-11-25T06:15:00Z",
        "2026-11-25T07:15:00Z",
    ]


@pytest.mark.parametrize(("day", "count"), [("2026-10-25", 25), ("2027-03-28", 23), ("2026-06-01", 24)])
def test_a_day_in_berlin_has_its_real_number_of_hours(day: str, count: int) -> None:
    found = periods("hour", BERLIN, *day_window(BERLIN, date.fromisoformat(day)))
    assert len(found) == count
    assert {end - start for _, start, end in found} == {HOUR_US}
    assert len({label for label, _, _ in found}) == count


@pytest.mark.parametrize("day", ["2026-04-05", "2026-10-04"])
def test_the_hour_of_the_change_on_lord_howe_lasts_90_minutes_and_all_others_one(day: str) -> None:
    found = periods("hour", LORD_HOWE, *day_window(LORD_HOWE, date.fromisoformat(day)))
    lengths_h = [(end - start) / HOUR_US for _, start, end in found]
    assert sorted(lengths_h) == [1.0] * (len(found) - 1) + [1.5]
    assert lengths_h[1] == 1.5


def test_a_day_that_the_clocks_jump_into_late_leaves_no_gap() -> None:
    # The IANA time zone database: Toronto put its clocks from 23:30 to 00:30 on 1919-03-30.
    toronto = ZoneInfo("America/Toronto")
    start_us, end_us = us("1919-03-31T04:30:00Z"), us("1919-03-31T12:00:00Z")
    assert local_time(start_us, toronto).isoformat() == "1919-03-31T00:30:00-04:00"
    assert [(begin, end) for _, begin, end in periods("day", toronto, start_us, end_us)] == [
        (start_us, us("1919-03-31T05:00:00Z")),
        (us("1919-03-31T05:00:00Z"), end_us),
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_an_empty_or_reversed_window_has_no_periods(kind: PeriodKind) -> None:
    assert periods(kind, BERLIN, 10, 10) == []
    assert periods(kind, BERLIN, 11, 10) == []


@settings(deadline=None)
@given(
    st.sampled_from(KINDS),
    st.sampled_from(ZONE_NAMES),
    st.datetimes(datetime(2000, 1, 1), datetime(2040, 1, 1)),
    st.integers(1, 100 * 24 * HOUR_US),
)
def test_periods_join_to_the_window_and_begin_where_the_local_clock_says(
    kind: PeriodKind, zone: str, start: datetime, length_us: int
) -> None:
    tz = ZoneInfo(zone)
    start_us = us(f"{start.isoformat()}+00:00")
    length_us = min(length_us, 5 * 24 * HOUR_US) if kind == "hour" else length_us
    found = periods(kind, tz, start_us, start_us + length_us)
    edges = [start for _, start, _ in found] + [found[-1][2]]
    assert edges == [start_us, *[end for _, _, end in found]]
    assert edges[-1] == start_us + length_us
    assert all(begin < end for _, begin, end in found)
    labels = [label for label, _, _ in found]
    assert labels == sorted(set(labels))
    for label, begin_us, _ in found[1:]:
        _check_beginning(kind, label, local_time(begin_us, tz), local_time(begin_us - 1, tz))


def _check_beginning(kind: PeriodKind, label: str, local: datetime, before: datetime) -> None:
    if kind == "hour":
        assert (local.minute, local.second, local.microsecond) == (0, 0, 0)
        return
    year, week, _ = local.isocalendar()
    shown = {"day": f"{local:%Y-%m-%d}", "week": f"{year}-W{week:02}", "month": f"{local:%Y-%m}"}
    assert label == shown[kind]
    assert before < local
    assert before.date() <= local.date()


@settings(deadline=None)
@given(st.sampled_from(ZONE_NAMES), st.dates(date(2000, 1, 1), date(2040, 1, 1)))
def test_a_day_is_its_own_single_period(zone: str, day: date) -> None:
    tz = ZoneInfo(zone)
    start_us, end_us = day_window(tz, day)
    if start_us < end_us:
        assert periods("day", tz, start_us, end_us) == [(day.isoformat(), start_us, end_us)]
    assert day_window(tz, day + timedelta(days=1))[0] == end_us
