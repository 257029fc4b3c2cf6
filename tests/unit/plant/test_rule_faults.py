"""Faults of recurrence rules: each names the part that is wrong and says what would be right."""

import pytest

from .faulty import LINE, changed, faults_of

RULES = [
    ("WEEKLY", '"WEEKLY" should be a part such as FREQ=WEEKLY; parts are joined by ";" alone'),
    ("RRULE:FREQ=DAILY", "RRULE:FREQ=DAILY: is no part of a recurrence rule"),
    ("FREQ=WEEKLY;", '"" should be a part'),
    ("BYDAY=MO", "FREQ is missing; begin with one of FREQ=DAILY, FREQ=WEEKLY, FREQ=MONTHLY, FREQ=YEARLY"),
    ("FREQ=WEEKLY;FREQ=DAILY", "FREQ is given twice; give it once"),
    ("FREQ=FORTNIGHTLY", "FREQ=FORTNIGHTLY: should be one of DAILY, WEEKLY, MONTHLY, YEARLY"),
    ("FREQ=HOURLY;COUNT=3", "FREQ=HOURLY: a shift starts once on a date"),
    ("FREQ=MINUTELY", "FREQ=MINUTELY: a shift starts once on a date"),
    ("FREQ=SECONDLY", "FREQ=SECONDLY: a shift starts once on a date"),
    ("FREQ=DAILY;BYHOUR=6,14", 'BYHOUR=6,14: a shift repeats by date; give the time of day as "starts"'),
    ("FREQ=DAILY;DTSTART=20260105", 'DTSTART=20260105: give the first date as "since"'),
    ("FREQ=DAILY;INTERVAL=0", "INTERVAL=0: should be a whole number from 1 to 1000"),
    ("FREQ=DAILY;INTERVAL=-1", "INTERVAL=-1: should be a whole number from 1 to 1000"),
    ("FREQ=DAILY;COUNT=many", "COUNT=MANY: should be a whole number from 1 to 100000"),
    ("FREQ=DAILY;COUNT=3;UNTIL=20270101", "COUNT and UNTIL exclude each other; keep one of them"),
    ("FREQ=DAILY;UNTIL=20270101T000000Z", "UNTIL=20270101T000000Z: should be a date such as 20261231"),
    ("FREQ=DAILY;UNTIL=20270230", "UNTIL=20270230: should be a date such as 20261231"),
    ("FREQ=DAILY;UNTIL=20251231", "UNTIL=20251231: lies before since"),
    ("FREQ=WEEKLY;BYDAY=MO,DI", 'BYDAY=MO,DI: "DI" should be one of MO, TU, WE, TH, FR, SA, SU'),
    ("FREQ=WEEKLY;BYDAY=MO, TU", '" TU" should be one of MO'),
    ("FREQ=WEEKLY;BYDAY=1MO", "a number before a day in BYDAY needs FREQ=MONTHLY or YEARLY"),
    ("FREQ=MONTHLY;BYDAY=0MO", '"0MO" should have a number from 1 to 53, or -53 to -1, before it'),
    ("FREQ=MONTHLY;BYDAY=6MO", "BYDAY within a month should have numbers from 1 to 5, or -5 to -1"),
    ("FREQ=MONTHLY;BYDAY=1MO,TU", "BYDAY should have a number before every day or before none"),
    (
        "FREQ=MONTHLY;BYMONTHDAY=32",
        "BYMONTHDAY=32: should be whole numbers from 1 to 31, or -31 to -1 counted from the end",
    ),
    ("FREQ=WEEKLY;BYMONTHDAY=1", "BYMONTHDAY does not go with FREQ=WEEKLY"),
    ("FREQ=DAILY;BYMONTH=13", "BYMONTH=13: should be months from 1 to 12"),
    ("FREQ=MONTHLY;BYYEARDAY=1", "BYYEARDAY needs FREQ=YEARLY"),
    ("FREQ=MONTHLY;BYWEEKNO=1;BYDAY=MO", "BYWEEKNO needs FREQ=YEARLY"),
    ("FREQ=YEARLY;BYWEEKNO=1", "BYWEEKNO needs BYDAY beside it to say which days of the week"),
    ("FREQ=YEARLY;BYWEEKNO=1;BYDAY=1MO", "a number before a day in BYDAY does not go with BYWEEKNO"),
    ("FREQ=MONTHLY;BYSETPOS=1", "BYSETPOS needs another BY part to choose from, such as BYDAY"),
    ("FREQ=WEEKLY;WKST=1", "WKST=1: should be one of MO, TU, WE, TH, FR, SA, SU"),
    ("FREQ=DAILY;BYEASTER=1", "BYEASTER=1: is no part of a recurrence rule; the parts are FREQ, INTERVAL"),
    ("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", "the rule has no date from 2026-01-05 to 2199-12-31"),
]


@pytest.mark.parametrize(("rule", "sentence"), RULES)
def test_a_wrong_rule_is_refused_and_its_part_named(rule: str, sentence: str) -> None:
    document = changed(f"{LINE}/shifts/0/repeats", rule)
    del document["sites"][0]["lines"][0]["shifts"][0]["except"]
    [(place, found)] = faults_of(document)
    assert place == f"{LINE}/shifts/0/repeats"
    assert sentence in found
