"""The dates of a shift, held against the examples of RFC 5545 section 3.8.5.3 and of its own rules."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.shifts import LAST_DATE, dates, first_date
from zoneledger.plant_document.recurrence import FREQUENCIES, WEEKDAYS, rule_faults

from .declared import pattern

ALL_DAYS = "SU,MO,TU,WE,TH,FR,SA"


def days(text: str) -> list[date]:
    """Read `1997-09 2 4; 1997-10 1` as dates."""
    found = []
    for month in text.split(";"):
        year_month, *numbers = month.split()
        found += [date.fromisoformat(f"{year_month}-{int(number):02}") for number in numbers]
    return found


def every_day(first: str, last: str) -> list[date]:
    begin = date.fromisoformat(first)
    return [begin + timedelta(days=i) for i in range((date.fromisoformat(last) - begin).days + 1)]


# RFC 5545 section 3.8.5.3 [the RFC], those that choose dates. Where its UNTIL is a UTC time, the last date of the set
# stands here, since a shift's rule counts dates. Where the RFC writes "..." the expected dates stop.
RFC_EXAMPLES = [
    ("1997-09-02", "FREQ=DAILY;COUNT=10", every_day("1997-09-02", "1997-09-11")),
    ("1997-09-02", "FREQ=DAILY;UNTIL=19971223", every_day("1997-09-02", "1997-12-23")),
    ("1997-09-02", "FREQ=DAILY;INTERVAL=2", days("1997-09 2 4 6 8 10 12 14 16 18 20 22 24 26 28 30; 1997-10 2 4")),
    ("1997-09-02", "FREQ=DAILY;INTERVAL=10;COUNT=5", days("1997-09 2 12 22; 1997-10 2 12")),
    (
        "1998-01-01",
        f"FREQ=YEARLY;UNTIL=20000131;BYMONTH=1;BYDAY={ALL_DAYS}",
        [day for year in (1998, 1999, 2000) for day in every_day(f"{year}-01-01", f"{year}-01-31")],
    ),
    (
        "1998-01-01",
        "FREQ=DAILY;UNTIL=20000131;BYMONTH=1",
        [day for year in (1998, 1999, 2000) for day in every_day(f"{year}-01-01", f"{year}-01-31")],
    ),
    ("1997-09-02", "FREQ=WEEKLY;COUNT=10", days("1997-09 2 9 16 23 30; 1997-10 7 14 21 28; 1997-11 4")),
    (
        "1997-09-02",
        "FREQ=WEEKLY;UNTIL=19971223",
        days("1997-09 2 9 16 23 30; 1997-10 7 14 21 28; 1997-11 4 11 18 25; 1997-12 2 9 16 23"),
    ),
    (
        "1997-09-02",
        "FREQ=WEEKLY;INTERVAL=2;WKST=SU",
        days("1997-09 2 16 30; 1997-10 14 28; 1997-11 11 25; 1997-12 9 23; 1998-01 6 20; 1998-02 3 17"),
    ),
    ("1997-09-02", "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", days("1997-09 2 4 9 11 16 18 23 25 30; 1997-10 2")),
    (
        "1997-09-01",
        "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971223;WKST=SU;BYDAY=MO,WE,FR",
        days("1997-09 1 3 5 15 17 19 29; 1997-10 1 3 13 15 17 27 29 31; 1997-11 10 12 14 24 26 28; 1997-12 8 10 12 22"),
    ),
    (
        "1997-09-02",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH",
        days("1997-09 2 4 16 18 30; 1997-10 2 14 16"),
    ),
    (
        "1997-09-05",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        [
            *days("1997-09 5; 1997-10 3; 1997-11 7; 1997-12 5; 1998-01 2"),
            *days("1998-02 6; 1998-03 6; 1998-04 3; 1998-05 1; 1998-06 5"),
        ],
    ),
    (
        "1997-09-07",
        "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU",
        days("1997-09 7 28; 1997-11 2 30; 1998-01 4 25; 1998-03 1 29; 1998-05 3 31"),
    ),
    (
        "1997-09-22",
        "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
        days("1997-09 22; 1997-10 20; 1997-11 17; 1997-12 22; 1998-01 19; 1998-02 16"),
    ),
    (
        "1997-09-28",
        "FREQ=MONTHLY;BYMONTHDAY=-3",
        days("1997-09 28; 1997-10 29; 1997-11 28; 1997-12 29; 1998-01 29; 1998-02 26"),
    ),
    (
        "1997-09-02",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15",
        days("1997-09 2 15; 1997-10 2 15; 1997-11 2 15; 1997-12 2 15; 1998-01 2 15"),
    ),
    (
        "1997-09-30",
        "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1",
        days("1997-09 30; 1997-10 1 31; 1997-11 1 30; 1997-12 1 31; 1998-01 1 31; 1998-02 1"),
    ),
    (
        "1997-09-10",
        "FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15",
        days("1997-09 10 11 12 13 14 15; 1999-03 10 11 12 13"),
    ),
    (
        "1997-09-02",
        "FREQ=MONTHLY;INTERVAL=2;BYDAY=TU",
        days("1997-09 2 9 16 23 30; 1997-11 4 11 18 25; 1998-01 6 13 20 27; 1998-03 3 10 17 24 31"),
    ),
    (
        "1997-06-10",
        "FREQ=YEARLY;COUNT=10;BYMONTH=6,7",
        [date(year, month, 10) for year in range(1997, 2002) for month in (6, 7)],
    ),
    (
        "1997-01-01",
        "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
        [
            *days("1997-01 1; 1997-04 10; 1997-07 19; 2000-01 1; 2000-04 9; 2000-07 18"),
            *days("2003-01 1; 2003-04 10; 2003-07 19; 2006-01 1"),
        ],
    ),
    ("1997-05-19", "FREQ=YEARLY;BYDAY=20MO", days("1997-05 19; 1998-05 18; 1999-05 17")),
    ("1997-05-12", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", days("1997-05 12; 1998-05 11; 1999-05 17")),
    (
        "1997-09-02",
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        days("1998-02 13; 1998-03 13; 1998-11 13; 1999-08 13; 2000-10 13"),
    ),
    (
        "1996-11-05",
        "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8",
        days("1996-11 5; 2000-11 7; 2004-11 2"),
    ),
    ("1997-09-04", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", days("1997-09 4; 1997-10 7; 1997-11 6")),
    (
        "1997-09-29",
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
        days("1997-09 29; 1997-10 30; 1997-11 27; 1997-12 30; 1998-01 29; 1998-02 26; 1998-03 30"),
    ),
    ("1997-08-05", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", days("1997-08 5 10 19 24")),
    ("1997-08-05", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", days("1997-08 5 17 19 31")),
    ("2007-01-15", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5", days("2007-01 15 30; 2007-02 15; 2007-03 15 30")),
]


@pytest.mark.parametrize(("since", "rule", "expected"), RFC_EXAMPLES, ids=[rule for _, rule, _ in RFC_EXAMPLES])
def test_the_examples_of_rfc_5545_section_3_8_5_3(since: str, rule: str, expected: list[date]) -> None:
    declared = pattern(repeats=rule, since=since)
    assert rule_faults(rule, declared.since) == []
    through = range(expected[0].year, expected[-1].year + 3)
    found = [day for year in through for day in dates(declared, year)]
    ended = "COUNT" in rule or "UNTIL" in rule
    assert (found if ended else found[: len(expected)]) == expected


def test_since_is_a_date_of_the_shift_only_if_the_rule_says_so() -> None:
    declared = pattern(repeats="FREQ=WEEKLY;BYDAY=SA", since="2026-01-05")
    assert dates(declared, 2026)[0] == date(2026, 1, 10)


def test_excepted_dates_fall_out_and_extra_ones_come_in() -> None:
    declared = pattern(
        repeats="FREQ=WEEKLY;BYDAY=FR;COUNT=4", since="2026-12-11", except_=("2026-12-25",), extra=("2026-12-19",)
    )
    assert dates(declared, 2026) == tuple(days("2026-12 11 18 19"))
    assert dates(declared, 2027) == tuple(days("2027-01 1"))


def test_a_rule_is_read_in_small_letters_too() -> None:
    declared = pattern(repeats="freq=weekly;until=20260112;byday=mo", since="2026-01-05")
    assert dates(declared, 2026) == tuple(days("2026-01 5 12"))


def test_a_rule_goes_on_to_the_end_of_2199_and_no_further() -> None:
    declared = pattern(repeats="FREQ=WEEKLY;BYDAY=MO,SU;WKST=SU", since="2026-01-05")
    assert dates(declared, 2199)[-1] == date(2199, 12, 30)
    assert LAST_DATE.year == 2199
    assert dates(declared, 2200) == ()


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=DAILY;INTERVAL=7;BYDAY=TU",
        "FREQ=WEEKLY;INTERVAL=1000;BYMONTH=3;BYDAY=WE;COUNT=100000;WKST=SU;BYSETPOS=9",
        "FREQ=MONTHLY;BYMONTH=2;BYDAY=5MO;BYMONTHDAY=1",
        "FREQ=YEARLY;BYWEEKNO=53;BYDAY=SU;BYMONTH=5",
    ],
)
def test_a_rule_that_never_comes_to_pass_is_known_as_such(rule: str) -> None:
    since = date(2026, 1, 5)
    assert rule_faults(rule, since) == []
    assert first_date(rule, since) is None
    assert dates(pattern(repeats=rule), 2030) == ()


def test_the_first_date_of_a_rare_rule_is_found() -> None:
    assert first_date("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29;BYDAY=MO", date(2026, 1, 5)) == date(2044, 2, 29)


NUMBERS = {
    "BYMONTHDAY": 31,
    "BYYEARDAY": 366,
    "BYWEEKNO": 53,
    "BYSETPOS": 366,
}


@st.composite
def rules(draw: st.DrawFn) -> str:
    """A rule whose parts are right one by one, and mostly together, too."""
    parts = [f"FREQ={draw(st.sampled_from(FREQUENCIES))}"]
    if draw(st.booleans()):
        parts.append(f"INTERVAL={draw(st.integers(1, 1000))}")
    if draw(st.booleans()):
        day_number = st.sampled_from(("", "", "1", "-1", "5", "-5", "53", "-53"))
        weekdays = draw(st.lists(st.tuples(day_number, st.sampled_from(WEEKDAYS)), min_size=1, max_size=4))
        parts.append("BYDAY=" + ",".join(f"{number}{day}" for number, day in weekdays))
    if draw(st.booleans()):
        parts.append("BYMONTH=" + ",".join(map(str, draw(st.lists(st.integers(1, 12), min_size=1, max_size=4)))))
    for name, most in NUMBERS.items():
        if draw(st.integers(0, 3)) == 0:
            numbers = st.integers(-most, most).filter(bool)
            parts.append(f"{name}=" + ",".join(map(str, draw(st.lists(numbers, min_size=1, max_size=3)))))
    if draw(st.booleans()):
        parts.append(f"WKST={draw(st.sampled_from(WEEKDAYS))}")
    return ";".join(draw(st.permutations(parts)))


@settings(deadline=None)
@given(rules(), st.dates(date(2000, 1, 1), LAST_DATE))
def test_a_rule_without_faults_can_be_followed(rule: str, since: date) -> None:
    if rule_faults(rule, since) == []:
        declared = pattern(repeats=rule, since=since.isoformat())
        first = first_date(rule, since)
        in_year = dates(declared, since.year)
        assert list(in_year) == sorted(set(in_year))
        assert all(since <= day and day.year == since.year for day in in_year)
        assert in_year[:1] == ((first,) if first and first.year == since.year else ())
