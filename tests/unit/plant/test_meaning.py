"""Faults of meaning in a plant document: each with its place and a sentence that says what would be right."""

import json
from typing import Any

import pytest

from zoneledger.plant_document import EXAMPLE, read_json

from .faulty import LINE, changed, faults_of

LATE = {"shift": "late", "starts": "14:00", "ends": "22:00", "repeats": "FREQ=DAILY", "since": "2026-02-02"}
MEANING = [
    (
        "sites/0/timezone",
        "Europe/Lissabon",
        "sites/0/timezone",
        '"Europe/Lissabon" is unknown; must be an IANA time zone; did you mean "Europe/Lisbon"?',
    ),
    ("sites/0/timezone", "../../etc/passwd", "sites/0/timezone", "must be an IANA time zone"),
    ("sites/0/timezone", "Europe", "sites/0/timezone", "must be an IANA time zone"),
    ("sites/0/timezone", "", "sites/0/timezone", "must be an IANA time zone"),
    ("sites/1", {"site": "harbour", "timezone": "UTC"}, "sites/1/site", '"harbour" is the name of sites/0 already'),
    ("sites/0/lines/1", {"line": "wing-1"}, "sites/0/lines/1/line", '"wing-1" is the name of sites/0/lines/0 already'),
    (
        f"{LINE}/cells/1",
        {"cell": "cell-1", "zones": ["1"]},
        f"{LINE}/cells/1/cell",
        f'"cell-1" is the name of {LINE}/cells/0 already',
    ),
    (
        f"{LINE}/cells/0/zones",
        ["1", "2", "1"],
        f"{LINE}/cells/0/zones/2",
        f'"1" is the name of {LINE}/cells/0/zones/0 already',
    ),
    (
        f"{LINE}/targets/1",
        {"since": "2026-01-02"},
        f"{LINE}/targets/1",
        "promises nothing; must have oee, good_per_hour",
    ),
    (
        f"{LINE}/targets/1",
        {"since": "2026-01-01", "oee": 0.8},
        f"{LINE}/targets/1/since",
        f"is that of {LINE}/targets/0; keep one, or give another since",
    ),
    (
        f"{LINE}/standards/2",
        {"operation": "fasten", "seconds": 3, "since": "2026-01-01"},
        f"{LINE}/standards/2",
        f"has operation, item, program and since of {LINE}/standards/0",
    ),
    (
        f"{LINE}/standards/0/minor_stop_seconds",
        3.5,
        f"{LINE}/standards/0/minor_stop_seconds",
        "must not be less than seconds, 4",
    ),
    (
        f"{LINE}/cells/0/standards",
        [{"operation": "drill", "seconds": 3, "since": "2026-01-01"}] * 2,
        f"{LINE}/cells/0/standards/1",
        "keep one, or give another since",
    ),
    (
        "sites/0/reasons/1",
        {"reason": "no-panel"},
        "sites/0/reasons/1/reason",
        '"no-panel" is the name of sites/0/reasons/0 already',
    ),
    ("sites/0/reasons/0/reason", "unexplained", "sites/0/reasons/0/reason", "must be another name"),
    ("sites/0/reasons/0/for", ["idle", "idle"], "sites/0/reasons/0/for", "idle is given twice; give it once"),
    ("sites/0/roles", ["lead", "lead"], "sites/0/roles/1", '"lead" is the name of sites/0/roles/0 already'),
    (f"{LINE}/shifts/0/except", ["2026-12-25", "2026-12-25"], f"{LINE}/shifts/0/except/1", "2026-12-25 is given twice"),
    (
        f"{LINE}/shifts/0/except",
        ["2026-12-26"],
        f"{LINE}/shifts/0/except/0",
        "2026-12-26, a Saturday, is no date of the rule; take it out or mend it",
    ),
    (
        f"{LINE}/shifts/0/except",
        ["2026-01-02"],
        f"{LINE}/shifts/0/except/0",
        "2026-01-02 lies before since, 2026-01-05",
    ),
    (
        f"{LINE}/shifts/0/extra",
        ["2026-12-24"],
        f"{LINE}/shifts/0/extra/0",
        "2026-12-24 is a date of the rule already; take it out",
    ),
    (f"{LINE}/shifts/0/extra", ["2026-12-26", "2026-12-26"], f"{LINE}/shifts/0/extra/1", "2026-12-26 is given twice"),
    (f"{LINE}/shifts/0/extra", ["2026-01-03"], f"{LINE}/shifts/0/extra/0", "2026-01-03 lies before since"),
    (
        f"{LINE}/shifts/0/stops/0/starts",
        "05:45",
        f"{LINE}/shifts/0/stops/0",
        "05:45 to 10:30 must lie within the shift, 06:00 to 14:00",
    ),
    (
        f"{LINE}/shifts/0/stops/0/ends",
        "14:01",
        f"{LINE}/shifts/0/stops/0",
        "10:00 to 14:01 must lie within the shift, 06:00 to 14:00",
    ),
    (f"{LINE}/shifts/0/stops/0/ends", "10:00", f"{LINE}/shifts/0/stops/0/ends", "must differ from starts, 10:00"),
    (
        f"{LINE}/shifts/0/stops/1",
        {"stop": "tea", "starts": "10:29", "ends": "10:45"},
        f"{LINE}/shifts/0/stops/1",
        'must not overlap the stop "meal"',
    ),
    (
        f"{LINE}/shifts/1",
        {**LATE, "starts": "13:30"},
        f"{LINE}/shifts/1",
        '"early" (06:00 to 14:00) and "late" (13:30 to 22:00) overlap, first on 2026-02-02; the one must end before',
    ),
    (
        f"{LINE}/shifts/1",
        {**LATE, "ends": "06:30"},
        f"{LINE}/shifts/1",
        '"late" (14:00 to 06:30) and "early" (06:00 to 14:00) overlap, first on 2026-02-03',
    ),
    (
        f"{LINE}/shifts/1",
        {**LATE, "shift": "early", "starts": "06:00", "ends": "14:00"},
        f"{LINE}/shifts/1/shift",
        'a second shift "early" on 2026-02-02; must have another name or dates of its own',
    ),
    (f"{LINE}/shifts/1", {**LATE, "shift": "early"}, f"{LINE}/shifts/1/shift", 'a second shift "early" on 2026-02-02'),
    (
        f"{LINE}/shifts/1",
        {**LATE, "starts": "13:30", "repeats": "FREQ=MONTHLY;BYMONTHDAY=29"},
        f"{LINE}/shifts/1",
        "overlap, first on 2026-04-29",
    ),
]


@pytest.mark.parametrize(("changed_place", "value", "place", "sentence"), MEANING)
def test_a_document_that_makes_no_sense_is_refused_at_its_place(
    changed_place: str, value: Any, place: str, sentence: str
) -> None:
    [(found_place, found)] = faults_of(changed(changed_place, value))
    assert found_place == place
    assert sentence in found


SOUND = [
    (f"{LINE}/shifts/1", LATE),
    (f"{LINE}/shifts/1", {**LATE, "ends": "06:00"}),
    (f"{LINE}/shifts/1", {**LATE, "shift": "early", "repeats": "FREQ=WEEKLY;BYDAY=SA"}),
    (f"{LINE}/shifts/0/ends", "06:00"),
    (f"{LINE}/shifts/0/stops/1", {"stop": "meal", "starts": "10:30", "ends": "10:45"}),
    (f"{LINE}/shifts/0/stops/0", {"stop": "meal", "starts": "13:30", "ends": "14:00"}),
    (
        f"{LINE}/shifts/1",
        {**LATE, "starts": "22:00", "ends": "06:00", "stops": [{"stop": "meal", "starts": "02:00", "ends": "02:30"}]},
    ),
    (f"{LINE}/shifts/0/extra", ["2026-12-26"]),
    (f"{LINE}/standards/2", {"operation": "fasten", "seconds": 3, "since": "2026-01-02"}),
    ("sites/1", {"site": "inland", "timezone": "Europe/Berlin", "lines": EXAMPLE["sites"][0]["lines"]}),
    ("sites/0/timezone", "Australia/Lord_Howe"),
]


@pytest.mark.parametrize(("place", "value"), SOUND)
def test_what_a_plant_needs_is_taken(place: str, value: Any) -> None:
    assert read_json(json.dumps(changed(place, value))).sites


def test_all_faults_of_meaning_are_told_at_once() -> None:
    document = changed("sites/0/timezone", "Mars")
    line = document["sites"][0]["lines"][0]
    line["shifts"][0]["repeats"] = "FREQ=WEEKLY;BYDAY=XX;COUNT=0"
    line["shifts"].append({**LATE, "stops": [{"stop": "meal", "starts": "01:00", "ends": "02:00"}]})
    line["cells"].append(line["cells"][0])
    assert sorted(place for place, _ in faults_of(document)) == [
        f"{LINE}/cells/1/cell",
        f"{LINE}/shifts/0/repeats",
        f"{LINE}/shifts/0/repeats",
        f"{LINE}/shifts/1/stops/0",
        "sites/0/timezone",
    ]


def test_all_faults_of_shape_are_told_at_once_and_at_most_a_hundred_listed() -> None:
    document = changed("sites/0/site", 3)
    document["sites"][0]["lines"][0]["cells"][0]["zones"] = [1, 2]
    assert len(faults_of(document)) == 3
    many = faults_of({f"field-{i}": i for i in range(300)})
    assert len(many) == 101
    assert many[-1] == ("document", "has 201 more faults than are listed here")
