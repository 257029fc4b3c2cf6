"""The plant's tree: what a path finds, and in which order units come."""

from datetime import date

import pytest

from zoneledger.core.plant import Cell, Line, Plant, Site, Standard, is_path_step

CELL_1 = Cell("cell-1", ("1", "2"))
CELL_2 = Cell("cell-2", ("b", "a"))
WING = Line("wing-1", cells=(CELL_1, CELL_2))
HARBOUR = Site("harbour", "Europe/Lisbon", (WING, Line("tail", cells=(Cell("cell-1", ("1",)),))))
PLANT = Plant((HARBOUR, Site("inland", "Europe/Berlin")))


def test_units_come_in_declared_order_each_before_those_under_it() -> None:
    assert [(unit.path, unit.level) for unit in PLANT] == [
        ("harbour", "site"),
        ("harbour/wing-1", "line"),
        ("harbour/wing-1/cell-1", "cell"),
        ("harbour/wing-1/cell-1/1", "zone"),
        ("harbour/wing-1/cell-1/2", "zone"),
        ("harbour/wing-1/cell-2", "cell"),
        ("harbour/wing-1/cell-2/b", "zone"),
        ("harbour/wing-1/cell-2/a", "zone"),
        ("harbour/tail", "line"),
        ("harbour/tail/cell-1", "cell"),
        ("harbour/tail/cell-1/1", "zone"),
        ("inland", "site"),
    ]


def test_every_unit_is_found_by_its_path_and_nothing_else_is() -> None:
    assert all(PLANT.find(unit.path) is unit for unit in PLANT)
    for path in ("", "harbour/", "/harbour", "Harbour", "harbour/wing-1/cell-1/3", "wing-1", "inland/wing-1"):
        assert PLANT.find(path) is None


def test_a_zone_names_what_it_lies_in() -> None:
    zone = PLANT.find("harbour/wing-1/cell-2/a")
    assert zone is not None
    assert (zone.site, zone.line, zone.cell, zone.zone) == (HARBOUR, WING, CELL_2, "a")
    assert (zone.line_path, zone.cell_path) == ("harbour/wing-1", "harbour/wing-1/cell-2")
    assert [cell.path for cell in zone.cells] == ["harbour/wing-1/cell-2"]
    assert zone.tz.key == "Europe/Lisbon"


@pytest.mark.parametrize(
    ("path", "cells"),
    [
        ("harbour", ["harbour/wing-1/cell-1", "harbour/wing-1/cell-2", "harbour/tail/cell-1"]),
        ("harbour/wing-1", ["harbour/wing-1/cell-1", "harbour/wing-1/cell-2"]),
        ("harbour/wing-1/cell-1", ["harbour/wing-1/cell-1"]),
        ("inland", []),
    ],
)
def test_a_unit_knows_the_cells_under_it(path: str, cells: list[str]) -> None:
    unit = PLANT.find(path)
    assert unit is not None
    assert [cell.path for cell in unit.cells] == cells
    assert unit.zone is None


def test_a_site_has_neither_line_nor_cell() -> None:
    site = PLANT.find("harbour")
    assert site is not None
    assert (site.line, site.cell, site.line_path, site.cell_path) == (None, None, None, None)


def test_only_cells_have_zones() -> None:
    assert PLANT.cell_zones("harbour/wing-1/cell-2") == frozenset({"a", "b"})
    for path in ("harbour", "harbour/wing-1", "harbour/wing-1/cell-2/a", "harbour/wing-1/cell-9"):
        assert PLANT.cell_zones(path) is None


def test_an_empty_plant_is_valid_and_finds_nothing() -> None:
    assert list(Plant()) == []
    assert Plant().find("harbour") is None
    assert Plant().cell_zones("harbour/wing-1/cell-1") is None


def test_plants_that_declare_the_same_are_equal() -> None:
    assert Plant((HARBOUR,)) == Plant((HARBOUR,))
    assert Plant((HARBOUR,)) != PLANT


@pytest.mark.parametrize("step", ["a", "0", "-", "cell-1", "a" * 40])
def test_a_step_of_a_path_is_1_to_40_of_lower_case_letters_digits_and_hyphens(step: str) -> None:
    assert is_path_step(step)


@pytest.mark.parametrize("step", ["", "A", "a b", "a/b", "a_b", "ä", "a\n", "٣", "a" * 41])
def test_anything_else_is_no_step_of_a_path(step: str) -> None:
    assert not is_path_step(step)


@pytest.mark.parametrize(("fastener_us", "declared_us", "limit_us"), [
    (4_000_000, None, 15_000_000),
    (5_000_000, None, 15_000_000),
    (5_200_000, None, 15_600_000),
    (4_000_000, 9_000_000, 9_000_000),
])  # fmt: skip
def test_a_minor_stop_begins_at_three_times_the_standard_and_at_least_15_s(
    fastener_us: int, declared_us: int | None, limit_us: int
) -> None:
    standard = Standard("fasten", fastener_us, date(2026, 1, 1), minor_stop_us=declared_us)
    assert standard.minor_stop_limit_us == limit_us
