"""Faults of a plant.yaml file: each with the line it stands on, and never a traceback."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.errors import PlantInvalid
from zoneledger.plant_document import read_yaml

from .test_document import PLANT_YAML, faults_if_any

LINE = "sites/0/lines/0"


def faults_of(text: str | bytes, name: str = "plant.yaml") -> list[tuple[str, str]]:
    with pytest.raises(PlantInvalid) as caught:
        read_yaml(text, name)
    return caught.value.errors


CHANGED = [
    (
        "BYDAY=MO,TU",
        "BYDAY=MO,DI",
        f"plant.yaml line 10, {LINE}/shifts/0/repeats",
        'BYDAY=MO,DI,WE,TH,FR: "DI" should be one of MO',
    ),
    ("[\"1\", '2']", "[1, 2]", f"plant.yaml line 19, {LINE}/cells/0/zones/0", 'must be text; write "1" in quotes'),
    ("Europe/Lisbon", "Lisbon", "plant.yaml line 3, sites/0/timezone", "must be an IANA time zone"),
    ("2026-01-05", "2026-13-05", f"plant.yaml line 11, {LINE}/shifts/0/since", "must be a date that exists"),
    ("    timezone: Europe/Lisbon\n", "", "plant.yaml line 2, sites/0/timezone", "must be given"),
    ("            ends:", "            end:", f"plant.yaml line 7, {LINE}/shifts/0/ends", "must be given"),
    ("            ends:", "            end:", f"plant.yaml line 9, {LINE}/shifts/0/end", "is not known here"),
    (
        "  - site: harbour\n",
        "  - site: harbour\n    site: inland\n",
        "plant.yaml line 3, sites/0/site",
        "is given twice; give it once",
    ),
    ("            ends:", "\t    ends:", "plant.yaml line 9", "must be indented with spaces, not with tabs"),
    (
        "[2026-12-25]",
        "&holidays [2026-12-25]",
        f"plant.yaml line 12, {LINE}/shifts/0/except",
        "anchors and aliases are not taken; write the value out",
    ),
    ("[2026-12-25]", "*holidays", "plant.yaml line 12", "alias 'holidays'"),
    (
        "[2026-12-25]",
        "[2026-12-26]",
        f"plant.yaml line 12, {LINE}/shifts/0/except/0",
        "a Saturday, is no date of the rule",
    ),
    ("seconds: 4.0", "seconds: .inf", f"plant.yaml line 16, {LINE}/standards/0/seconds", "must be a finite number"),
    ("seconds: 4.0", "seconds: '4'", f"plant.yaml line 16, {LINE}/standards/0/seconds", "must be a number"),
    ("cell: cell-1", "cell: !name cell-1", f"plant.yaml line 19, {LINE}/cells/0/cell", "the tag !name is not taken"),
    ("06:00", "6:00", f"plant.yaml line 8, {LINE}/shifts/0/starts", 'must be a time of day from "00:00" to "23:59"'),
]


@pytest.mark.parametrize(("old", "new", "place", "sentence"), CHANGED)
def test_a_fault_is_told_with_its_line_and_place(old: str, new: str, place: str, sentence: str) -> None:
    assert PLANT_YAML.count(old) == 1 or old in ("2026-01-05", "06:00")
    found = dict(faults_of(PLANT_YAML.replace(old, new, 1)))
    assert place in found
    assert sentence in found[place]


WHOLE = [
    ("", "plant.yaml", "is empty; an empty plant is written as sites: []"),
    ("# nothing yet\n", "plant.yaml", "is empty; an empty plant is written as sites: []"),
    ("---\n", "plant.yaml", "is empty; an empty plant is written as sites: []"),
    ("- site: harbour\n", "plant.yaml line 1, document", "must be a mapping of fields"),
    ("\nharbour\n", "plant.yaml line 2, document", "must be a mapping of fields"),
    ("sites: []\n---\nsites: []\n", "plant.yaml line 2", "another document"),
    ("sites: [\n", "plant.yaml line 2", "must be YAML"),
    ("a: b: c\n", "plant.yaml line 1", "mapping values are not allowed here"),
    ("? [a]\n: b\n", "plant.yaml line 1, document", "must have plain words as field names"),
    ("\x00", "plant.yaml", "must be YAML: unacceptable character #x0000"),
    (b"sites: \xff", "plant.yaml", "must be UTF-8; byte 7 is not"),
    ("[" * 100, "plant.yaml line 1", "is nested too deeply"),
    ("#" * (1024 * 1024 + 1), "plant.yaml", "must have at most 1048576 bytes"),
    ("sites: " + "9" * 5000, "plant.yaml line 1, sites", "must be a number that can be read"),
]


@pytest.mark.parametrize(("text", "place", "sentence"), WHOLE, ids=[str(text[:20]) for text, _, _ in WHOLE])
def test_a_file_that_holds_no_plant_is_refused(text: str | bytes, place: str, sentence: str) -> None:
    [(found_place, found)] = [each for each in faults_of(text) if each[1] != "must be given"]
    assert found_place == place
    assert sentence in found


def test_several_faults_stand_on_their_own_lines() -> None:
    text = PLANT_YAML.replace("Europe/Lisbon", "Lisbon").replace("FREQ=WEEKLY", "FREQ=DAYLY").replace("10:30", "15:00")
    assert [place for place, _ in faults_of(text, "hall.yaml")] == [
        "hall.yaml line 3, sites/0/timezone",
        f"hall.yaml line 10, {LINE}/shifts/0/repeats",
        f"hall.yaml line 14, {LINE}/shifts/0/stops/0",
    ]


@settings(deadline=None)
@given(
    st.integers(0, len(PLANT_YAML)),
    st.integers(0, 12),
    st.text(st.sampled_from("\t\n -:[]{}&*!#|>'\"%@`,?0a\x00\ud800"), max_size=6),
)
def test_a_mangled_file_is_taken_or_refused_but_nothing_else(start: int, cut: int, inserted: str) -> None:
    faults = faults_if_any(read_yaml, PLANT_YAML[:start] + inserted + PLANT_YAML[start + cut :])
    assert all(place.startswith("plant.yaml") and sentence for place, sentence in faults)
