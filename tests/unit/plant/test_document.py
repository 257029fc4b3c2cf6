"""The plant's document: what it becomes, and that it is given back as it was."""

import copy
import json
from collections.abc import Callable
from datetime import date, time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from zoneledger.core.errors import PlantInvalid
from zoneledger.core.plant import Cell, Line, PlannedStop, Plant, ReasonChoice, ShiftPattern, Site, Standard, Target
from zoneledger.plant_document import EXAMPLE, PlantDocument, canonical_json, read_json, read_yaml, to_plant

# The plant of design.md section 9, with everything unquoted that YAML 1.2 lets stand unquoted.
PLANT_YAML = """\
sites:
  - site: harbour
    timezone: Europe/Lisbon
    lines:
      - line: wing-1
        shifts:
          - shift: early
            starts: 06:00
            ends: "14:00"
            repeats: FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR
            since: 2026-01-05
            except: [2026-12-25]
            stops:
              - {stop: meal, starts: "10:00", ends: 10:30}
        standards:
          - {operation: fasten, seconds: 4.0, since: 2026-01-01}
          - {operation: fasten, item: lb-8, program: skin-left, seconds: 5.2, since: 2026-01-01}
        cells:
          - {cell: cell-1, zones: ["1", '2']}
        targets:
          - {since: 2026-01-01, oee: 0.7, good_per_hour: 600}
    reasons:
      - {reason: no-panel, text: No panel at the cell, for: [idle]}
    roles: [shift-lead]
"""

HARBOUR = Plant(
    (
        Site(
            "harbour",
            "Europe/Lisbon",
            (
                Line(
                    "wing-1",
                    (
                        ShiftPattern(
                            "early",
                            time(6),
                            time(14),
                            "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR",
                            date(2026, 1, 5),
                            (date(2026, 12, 25),),
                            (),
                            (PlannedStop("meal", time(10), time(10, 30)),),
                        ),
                    ),
                    (
                        Standard("fasten", 4_000_000, date(2026, 1, 1)),
                        Standard("fasten", 5_200_000, date(2026, 1, 1), "lb-8", "skin-left"),
                    ),
                    (Cell("cell-1", ("1", "2")),),
                    (Target(date(2026, 1, 1), 0.7, 600.0),),
                ),
            ),
            (ReasonChoice("no-panel", "No panel at the cell", ("idle",)),),
            ("shift-lead",),
        ),
    )
)


def test_the_same_document_in_yaml_and_json_is_the_same_plant() -> None:
    assert to_plant(read_yaml(PLANT_YAML)) == HARBOUR
    assert to_plant(read_json(json.dumps(EXAMPLE))) == HARBOUR
    assert to_plant(read_yaml(json.dumps(EXAMPLE).encode())) == HARBOUR


def test_a_document_is_given_back_as_it_was() -> None:
    given = canonical_json(read_json(json.dumps(EXAMPLE)))
    assert json.loads(given) == EXAMPLE
    assert canonical_json(read_json(given)) == given


def test_the_order_of_fields_and_white_space_make_no_other_document() -> None:
    assert canonical_json(read_json(json.dumps(EXAMPLE, indent=3, sort_keys=True))) == canonical_json(
        read_yaml(PLANT_YAML)
    )


def test_a_reason_may_be_given_to_idle_time_and_faults_unless_told() -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["reasons"] = [{"reason": "crane"}, {"reason": "sensor", "for": ["fault", "idle"]}]
    del document["sites"][0]["roles"]
    site = to_plant(read_json(json.dumps(document))).sites[0]
    assert site.reasons == (
        ReasonChoice("crane", None, ("idle", "fault")),
        ReasonChoice("sensor", None, ("fault", "idle")),
    )
    assert site.roles == ()


def test_a_cell_may_belong_to_its_line_since_a_date() -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["lines"][0]["cells"][0]["since"] = "2026-03-02"
    text = canonical_json(read_json(json.dumps(document)))
    assert json.loads(text) == document
    plant = to_plant(read_json(text))
    assert [cell.since for cell in plant.sites[0].lines[0].cells] == [date(2026, 3, 2)]
    units = {unit.level: unit.since_us for unit in plant}
    assert units == {"site": None, "line": None, "cell": 1_772_409_600_000_000, "zone": 1_772_409_600_000_000}
    assert to_plant(read_yaml(PLANT_YAML.replace("zones:", "since: 2026-03-02, zones:"))) == plant


@pytest.mark.parametrize("since", ["2026-02-30", "2026-3-2", "1999-12-31", "2200-01-01", 20260302, "2026-03-02T00:00"])
def test_a_date_that_is_none_is_told_where_it_stands(since: object) -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["lines"][0]["cells"][0]["since"] = since
    with pytest.raises(PlantInvalid) as caught:
        read_json(json.dumps(document))
    ((place, sentence),) = caught.value.errors
    assert place == "sites/0/lines/0/cells/0/since"
    assert sentence.startswith("must be a date")


def test_a_plant_that_was_kept_before_cells_had_a_date_is_the_same_text_as_before() -> None:
    kept = '{"sites":[{"site":"harbour","timezone":"UTC","lines":[{"line":"wing-1","cells":[{"cell":"cell-1","zones":["1"]}]}]}]}'
    document = read_json(kept)
    assert canonical_json(document) == kept
    assert to_plant(document).sites[0].lines[0].cells == (Cell("cell-1", ("1",)),)


def test_a_plant_without_sites_is_valid() -> None:
    assert to_plant(read_json('{"sites": []}')) == Plant()
    assert canonical_json(read_yaml("sites: []")) == '{"sites":[]}'


@pytest.mark.parametrize(
    ("seconds", "microseconds"),
    [(4, 4_000_000), (0.000001, 1), (1.1, 1_100_000), (86_400, 86_400_000_000), (3.333333, 3_333_333)],
)
def test_standard_seconds_are_exact_microseconds(seconds: float, microseconds: int) -> None:
    document = copy.deepcopy(EXAMPLE)
    document["sites"][0]["lines"][0]["standards"] = [
        {"operation": "trim", "seconds": seconds, "since": "2026-01-01", "minor_stop_seconds": 86_400}
    ]
    [standard] = to_plant(read_json(json.dumps(document))).sites[0].lines[0].standards
    assert (standard.fastener_us, standard.minor_stop_us) == (microseconds, 86_400_000_000)


def test_the_schema_describes_every_field_and_gives_an_example() -> None:
    schema = TypeAdapter(PlantDocument).json_schema()
    models = [schema, *schema["$defs"].values()]
    assert len(models) == 9
    for model in models:
        assert model["additionalProperties"] is False
        assert model["description"]
        for name, field in model["properties"].items():
            assert field.get("description"), name
    assert schema["examples"] == [EXAMPLE]
    since = schema["$defs"]["ShiftDocument"]["properties"]["since"]
    assert (since["type"], since["format"]) == ("string", "date")


NAMES = st.text("abc019-", min_size=1, max_size=40)
DATES = st.dates(date(2000, 1, 1), date(2199, 12, 31)).map(str)
OPTIONAL = {
    "item": st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=200),
    "minor_stop_seconds": st.just(86_400),
}
STANDARDS = st.lists(
    st.fixed_dictionaries(
        {
            "operation": st.sampled_from(("drill", "fasten", "trim")),
            "seconds": st.integers(1, 86_400_000_000).map(lambda us: us / 1_000_000),
            "since": DATES,
        },
        optional=OPTIONAL,
    ),
    max_size=3,
    unique_by=lambda each: str(each["since"]),
)
CELLS = st.lists(
    st.fixed_dictionaries(
        {"cell": NAMES, "zones": st.lists(NAMES, min_size=1, max_size=3, unique=True)},
        optional={"standards": STANDARDS, "since": DATES},
    ),
    max_size=2,
    unique_by=lambda each: str(each["cell"]),
)
LINES = st.lists(
    st.fixed_dictionaries({"line": NAMES}, optional={"standards": STANDARDS, "cells": CELLS}),
    max_size=2,
    unique_by=lambda each: str(each["line"]),
)
SITES = st.lists(
    st.fixed_dictionaries({"site": NAMES, "timezone": st.just("Asia/Tokyo")}, optional={"lines": LINES}),
    max_size=2,
    unique_by=lambda each: str(each["site"]),
)


@settings(deadline=None)
@given(st.fixed_dictionaries({"sites": SITES}))
def test_any_valid_document_is_given_back_as_it_was(declared: dict[str, Any]) -> None:
    text = json.dumps(declared)
    document = read_json(text)
    assert json.loads(canonical_json(document)) == declared
    assert to_plant(read_yaml(json.dumps(declared, ensure_ascii=False))) == to_plant(document)
    paths = [unit.path for unit in to_plant(document)]
    assert len(paths) == len(set(paths))


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10) | DATES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


def places_in(value: Any, steps: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    entries = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [steps, *(place for key, entry in entries for place in places_in(entry, (*steps, key)))]


def faults_if_any(read: Callable[[str], PlantDocument], text: str) -> list[tuple[str, str]]:
    """Return the faults of a document, none where it is taken; anything but PlantInvalid fails the test."""
    try:
        to_plant(read(text))
    except PlantInvalid as error:
        return error.errors
    return []


@settings(deadline=None)
@given(st.sampled_from(places_in(EXAMPLE)[1:]), JSON_VALUES)
def test_a_document_with_anything_anywhere_is_taken_or_refused_with_a_place(place: tuple[Any, ...], value: Any) -> None:
    document: Any = copy.deepcopy(EXAMPLE)
    at = document
    for step in place[:-1]:
        at = at[step]
    at[place[-1]] = value
    for read in (read_json, read_yaml):
        assert all(where and sentence for where, sentence in faults_if_any(read, json.dumps(document)))
