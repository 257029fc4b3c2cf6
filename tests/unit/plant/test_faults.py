"""Faults in the shape of a plant document: each with its place and a sentence that says what would be right."""

from typing import Any

import pytest

from .faulty import LINE, changed, faults_of

SHAPE = [
    (f"{LINE}/line", "Wing 1", "must be 1 to 40 of a-z, 0-9 and -"),
    (f"{LINE}/line", "a" * 41, "must be 1 to 40 of a-z, 0-9 and -"),
    (f"{LINE}/cells/0/cell", "cell/1", "must be 1 to 40 of a-z, 0-9 and -"),
    (f"{LINE}/cells/0/zones/0", 1, 'must be text; write "1" in quotes'),
    (f"{LINE}/cells/0/zones/0", "", "must be 1 to 40 of a-z, 0-9 and -"),
    (f"{LINE}/cells/0/zones", [], "must not be empty"),
    (f"{LINE}/cells/0/zones", ..., "must be given"),
    (f"{LINE}/cells/0/zones", "1", "must be a list"),
    (f"{LINE}/cells/0/zones", [str(i) for i in range(51)], "must have at most 50 entries"),
    (f"{LINE}/cells/0", "cell-1", "must be a mapping of fields"),
    (f"{LINE}/shifts/0/starts", "24:00", 'must be a time of day from "00:00" to "23:59"'),
    (f"{LINE}/shifts/0/ends", 1400, 'must be text; write "1400" in quotes'),
    (f"{LINE}/shifts/0/since", "2026-02-30", "must be a date that exists, such as 2026-01-05"),
    (f"{LINE}/shifts/0/since", "05.01.2026", "must be a date that exists, such as 2026-01-05"),
    (f"{LINE}/shifts/0/since", 20260105, "must be a date such as 2026-01-05"),
    (f"{LINE}/shifts/0/since", "1999-12-31", "must be a date from 2000-01-01 to 2199-12-31"),
    (f"{LINE}/shifts/0/except/0", "tomorrow", "must be a date that exists, such as 2026-01-05"),
    (f"{LINE}/shifts/0/stops/0/stop", "me\tal", "must be text without control characters"),
    (f"{LINE}/shifts/0/stops/0/stop", "", "must not be empty"),
    (f"{LINE}/standards/0/seconds", 0, "must be greater than 0"),
    (f"{LINE}/standards/0/seconds", -4.0, "must be greater than 0"),
    (f"{LINE}/standards/0/seconds", 86_400.5, "must be less than or equal to 86400"),
    (f"{LINE}/standards/0/seconds", 1.0000001, "must have at most 6 decimals"),
    (f"{LINE}/standards/0/seconds", 1e-9, "must have at most 6 decimals"),
    (f"{LINE}/standards/0/seconds", "4.0", "must be a number"),
    (f"{LINE}/standards/0/seconds", True, "must be a number"),
    (f"{LINE}/standards/0/seconds", float("nan"), "must be a finite number"),
    (f"{LINE}/standards/0/operation", "weld", "must be 'drill', 'fasten' or 'trim'"),
    (f"{LINE}/standards/0/item", "\x7f", "must be text without control characters"),
    (
        f"{LINE}/shifts/0/colour",
        "red",
        "is not known here; the fields are shift, starts, ends, repeats, since, except, extra, stops",
    ),
    ("sites/0/reasons/0/reason", "No panel", "must be 1 to 40 of a-z, 0-9 and -"),
    ("sites/0/reasons/0/reason", ..., "must be given"),
    ("sites/0/reasons/0/text", "no\npanel", "must be text without control characters"),
    ("sites/0/reasons/0/text", "x" * 201, "must have at most 200 characters"),
    ("sites/0/reasons/0/for", [], "must not be empty"),
    ("sites/0/reasons/0/for/0", "running", "must be 'idle' or 'fault'"),
    ("sites/0/reasons/0/why", "x", "is not known here; the fields are reason, text, for"),
    ("sites/0/reasons", [{"reason": f"r{i}"} for i in range(501)], "must have at most 500 entries"),
    ("sites/0/roles/0", "Ann Smith", "must be 1 to 40 of a-z, 0-9 and -"),
    ("sites/0/roles", [f"r{i}" for i in range(51)], "must have at most 50 entries"),
    ("timezone", "UTC", "is not known here; the fields are sites"),
    ("sites/0/timezone", ..., "must be given"),
    ("sites", None, "must be a list"),
]


@pytest.mark.parametrize(("place", "value", "sentence"), SHAPE)
def test_a_wrong_shape_is_refused_at_its_place(place: str, value: Any, sentence: str) -> None:
    assert faults_of(changed(place, value)) == [(place, sentence)]


BROKEN_JSON = [
    ("", "line 1", "must be JSON: Expecting value"),
    ('{"sites": []', "line 1", "must be JSON"),
    ('{"sites":\n[}', "line 2", "must be JSON"),
    (b"\xff{}", "document", "must be UTF-8; byte 0 is not"),
    ("[" * 100_000, "document", "is nested too deeply"),
    ('{"sites": ' + "9" * 5000 + "}", "document", "too many digits"),
    ("[]", "document", "must be a mapping of fields"),
    ("null", "document", "must be a mapping of fields"),
    ('{"sites": [], "sites": []}', "sites", "is given twice; give it once"),
    ('{"sites": [{"site": "a", "timezone": "UTC", "timezone": "UTC"}]}', "sites/0/timezone", "is given twice"),
    ('{"sites": [{"site": "\\ud800", "timezone": "UTC"}]}', "sites/0/site", "must be a valid string"),
    (" " * (1024 * 1024 + 1), "document", "must have at most 1048576 bytes"),
]


@pytest.mark.parametrize(("text", "place", "sentence"), BROKEN_JSON, ids=[str(text[:20]) for text, _, _ in BROKEN_JSON])
def test_text_that_is_no_json_document_is_refused(text: str | bytes, place: str, sentence: str) -> None:
    [(found_place, found)] = faults_of(text)
    assert found_place == place
    assert sentence in found
