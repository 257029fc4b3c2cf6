"""From when on a changed plant may change figures."""

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.plant import Cell, Line, Plant, Site
from zoneledger.core.plant_changes import affected
from zoneledger.core.shifts import planned_of
from zoneledger.core.standards import Standards
from zoneledger.plant_document import EXAMPLE, read_json, to_plant

from .declared import line_with, pattern, us

LINE, CELL = "harbour/wing-1", "harbour/wing-1/cell-1"
TAIL = {"line": "tail", "cells": [{"cell": "cell-1", "zones": ["1"]}]}
SATURDAY = {
    "shift": "sat",
    "starts": "06:00",
    "ends": "12:00",
    "repeats": "FREQ=WEEKLY;BYDAY=SA",
    "since": "2026-06-01",
}
DRILL = {"operation": "drill", "seconds": 2, "since": "2026-05-01"}


def plant_of(document: dict[str, Any]) -> Plant:
    return to_plant(read_json(json.dumps(document)))


def at(text: str) -> int:
    """Return the local midnight of a date in Lisbon."""
    return us(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("Europe/Lisbon")).isoformat())


Change = Callable[[dict[str, Any], dict[str, Any]], object]

CHANGES: list[tuple[str, Change, list[tuple[str, int]]]] = [
    ("nothing", lambda site, line: None, []),
    ("the time zone", lambda site, line: site.update(timezone="Europe/Berlin"), [(LINE, 0)]),
    ("a new line", lambda site, line: site["lines"].append(TAIL), [("harbour/tail", 0)]),
    ("a new cell", lambda site, line: line["cells"].append({"cell": "cell-2", "zones": ["1"]}), [(LINE, 0)]),
    (
        "a new cell since a date",
        lambda site, line: line["cells"].append({"cell": "cell-2", "zones": ["1"], "since": "2026-06-10"}),
        [(LINE, at("2026-06-10"))],
    ),
    ("a date for a cell", lambda site, line: line["cells"][0].update(since="2026-06-10"), [(LINE, 0)]),
    (
        "a new cell since a date and other zones of another one",
        lambda site, line: (
            line["cells"].append({"cell": "cell-2", "zones": ["1"], "since": "2026-06-10"}),
            line["cells"][0].update(zones=["1"]),
        ),
        [(LINE, at("2026-06-10")), (CELL, 0)],
    ),
    (
        "a new cell since a date and an earlier standard",
        lambda site, line: (
            line["cells"].append({"cell": "cell-2", "zones": ["1"], "since": "2026-06-10"}),
            line["standards"].append(DRILL),
        ),
        [(LINE, at("2026-05-01"))],
    ),
    ("other zones", lambda site, line: line["cells"][0].update(zones=["1"]), [(CELL, 0)]),
    ("zones in another order", lambda site, line: line["cells"][0].update(zones=["2", "1"]), []),
    ("no shifts any more", lambda site, line: line.update(shifts=[]), [(LINE, 0)]),
    ("a new shift", lambda site, line: line["shifts"].append(SATURDAY), [(LINE, at("2026-06-06"))]),
    ("another name", lambda site, line: line["shifts"][0].update(shift="first"), [(LINE, at("2026-01-05"))]),
    ("another stop", lambda site, line: line["shifts"][0].update(stops=[]), [(LINE, at("2026-01-05"))]),
    (
        "an excepted date",
        lambda site, line: line["shifts"][0]["except"].append("2026-06-10"),
        [(LINE, at("2026-06-10"))],
    ),
    ("an exception less", lambda site, line: line["shifts"][0].update({"except": []}), [(LINE, at("2026-12-25"))]),
    ("an extra date", lambda site, line: line["shifts"][0].update(extra=["2026-06-13"]), [(LINE, at("2026-06-13"))]),
    ("another since", lambda site, line: line["shifts"][0].update(since="2026-01-12"), [(LINE, at("2026-01-05"))]),
    (
        "an end of the rule",
        lambda site, line: line["shifts"][0].update(repeats="FREQ=WEEKLY;UNTIL=20270101;BYDAY=MO,TU,WE,TH,FR"),
        [(LINE, at("2027-01-04"))],
    ),
    (
        "the same rule in other words",
        lambda site, line: line["shifts"][0].update(repeats="FREQ=WEEKLY;BYDAY=FR,TH,WE,TU,MO"),
        [(LINE, at("2037-01-01"))],
    ),
    ("a new standard", lambda site, line: line["standards"].append(DRILL), [(LINE, at("2026-05-01"))]),
    ("other seconds", lambda site, line: line["standards"][0].update(seconds=4.5), [(LINE, at("2026-01-01"))]),
    ("other reasons", lambda site, line: site.update(reasons=[{"reason": "crane"}]), []),
    ("other roles", lambda site, line: site.update(roles=["maintenance"]), []),
    ("standards in another order", lambda site, line: line["standards"].reverse(), []),
    (
        "a standard of the cell",
        lambda site, line: line["cells"][0].update(standards=[DRILL]),
        [(CELL, at("2026-05-01"))],
    ),
    (
        "a standard of the cell and an earlier one of the line",
        lambda site, line: (
            line["standards"][0].update(seconds=4.5),
            line["cells"][0].update(standards=[DRILL]),
        ),
        [(LINE, at("2026-01-01"))],
    ),
    (
        "a standard of the line and an earlier one of the cell",
        lambda site, line: (
            line["standards"].append({**DRILL, "since": "2026-07-01"}),
            line["cells"][0].update(standards=[DRILL]),
        ),
        [(LINE, at("2026-07-01")), (CELL, at("2026-05-01"))],
    ),
]


@pytest.mark.parametrize(("change", "expected"), [each[1:] for each in CHANGES], ids=[each[0] for each in CHANGES])
def test_a_change_reaches_back_to_where_it_begins(change: Change, expected: list[tuple[str, int]]) -> None:
    document = copy.deepcopy(EXAMPLE)
    change(document["sites"][0], document["sites"][0]["lines"][0])
    assert affected(plant_of(EXAMPLE), plant_of(document)) == expected
    assert affected(plant_of(document), plant_of(EXAMPLE)) == expected


@pytest.mark.parametrize(("was", "now"), [("2026-06-10", "2026-07-01"), ("2026-07-01", "2026-06-10")])
def test_another_date_of_a_cell_reaches_back_to_the_earlier_of_the_two(was: str, now: str) -> None:
    documents = [copy.deepcopy(EXAMPLE) for _ in (was, now)]
    for document, since in zip(documents, (was, now), strict=True):
        document["sites"][0]["lines"][0]["cells"][0]["since"] = since
    assert affected(plant_of(documents[0]), plant_of(documents[1]), [CELL]) == [(LINE, at("2026-06-10"))]


def test_a_cell_that_was_heard_before_comes_and_goes_from_the_beginning() -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["lines"][0]["cells"].append({"cell": "cell-2", "zones": ["1"], "since": "2026-06-10"})
    old, new = plant_of(EXAMPLE), plant_of(document)
    for heard in ([f"{LINE}/cell-2"], [CELL, f"{LINE}/cell-2"]):
        assert affected(old, new, heard) == affected(new, old, heard) == [(LINE, 0)]
    assert affected(old, new, [CELL]) == affected(new, old, [CELL]) == [(LINE, at("2026-06-10"))]


def test_a_first_and_a_last_plant_count_from_the_beginning() -> None:
    assert affected(Plant(), plant_of(EXAMPLE)) == [(LINE, 0)]
    assert affected(plant_of(EXAMPLE), Plant()) == [(LINE, 0)]
    assert affected(Plant(), Plant()) == []


PATTERNS = st.builds(
    pattern,
    st.sampled_from(("early", "late")),
    st.sampled_from(("06:00", "14:00")),
    st.sampled_from(("14:00", "22:00", "06:00")),
    st.sampled_from(
        ("FREQ=DAILY", "FREQ=WEEKLY;BYDAY=MO", "FREQ=DAILY;INTERVAL=2", "FREQ=DAILY;COUNT=9", "FREQ=MONTHLY")
    ),
    st.sampled_from(("2026-01-05", "2026-01-12", "2026-03-01")),
    except_=st.sampled_from(((), ("2026-01-19",))),
    extra=st.sampled_from(((), ("2026-01-20",))),
)
CELLS = st.builds(
    Cell,
    st.sampled_from(("cell-1", "cell-2")),
    st.just(("1",)),
    since=st.sampled_from((None, date(2026, 1, 5), date(2026, 1, 20), date(2026, 3, 29))),
)
LINES = st.builds(
    lambda patterns, cells: replace(line_with(*patterns), cells=tuple(cells)),
    st.lists(PATTERNS, max_size=2),
    st.lists(CELLS, max_size=2, unique_by=lambda cell: cell.name),
)


@settings(deadline=None)
@given(LINES, LINES)
def test_no_planned_time_changes_before_the_instant_that_is_told(old: Line, new: Line) -> None:
    plants = [Plant((Site("harbour", "Europe/Berlin", (line,)),)) for line in (old, new)]
    found = dict(affected(plants[0], plants[1]))
    until_us = min(found.get(LINE, us("2027-01-01T00:00:00Z")), us("2027-01-01T00:00:00Z"))
    for path in (LINE, CELL, f"{LINE}/cell-2"):
        was, now = (planned_of(unit, 0, until_us) if (unit := plant.find(path)) else [] for plant in plants)
        assert was == now


def test_no_rate_changes_before_the_instant_that_is_told() -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["lines"][0]["standards"] = [{"operation": "fasten", "seconds": 9, "since": "2026-03-01"}]
    old, new = plant_of(EXAMPLE), plant_of(document)
    [(_, from_us)] = affected(old, new)
    rates = [
        Standards.of(plant.sites[0].lines[0], plant.sites[0].lines[0].cells[0], plant.sites[0].tz).rate(
            "fasten", None, None, from_us - 1
        )
        for plant in (old, new)
    ]
    assert rates == [None, None]
