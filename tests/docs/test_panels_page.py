"""The page on the figures says what panel passes and prospects are: its examples are put through them, and its fields are there."""

import json
from typing import Any

import pytest

from tests.docs.pages import blocks, codes, read, section
from zoneledger.api.openapi import build_api, document_of
from zoneledger.core.demands import Demand
from zoneledger.core.pass_figures import by_program, left_for_hand, quantile
from zoneledger.core.passes import Pass
from zoneledger.core.prospects import CHANGEOVER_MASKED, LOADING, WAITS, Change, means_of, replay

PAGE = read("docs/figures.md")
SCHEMAS = document_of(build_api())["components"]["schemas"]
MINUTE_US = 60_000_000


def _examples(word: str) -> list[dict[str, Any]]:
    return [json.loads(block.text) for block in blocks(PAGE) if block.words[1:] == (word,)]


def _pass(told: dict[str, Any]) -> Pass:
    plan = {"automatic": told["automatic"], "manual": told["manual"], "load_seen": True, "unload_seen": True}
    return Pass("1", 0, told["floor_to_floor_s"] * 1_000_000, program="skin", outcome=told["outcome"], **plan)


@pytest.mark.parametrize("example", _examples("panels"))
def test_passes_on_the_page_add_up_to_the_figures_beside_them(example: dict[str, Any]) -> None:
    (skin,) = by_program([(_pass(told), {"good": told["made"]}) for told in example["passes"]])
    shares = {"median_s": 0.5, "p90_s": 0.9, "shortest_s": 0.0, "longest_s": 1.0}
    told = {name: (quantile(skin.whole_us, share) or 0) / 1e6 for name, share in shares.items()}
    told |= {"count": len(skin.whole_us), "mean_s": (skin.mean_us or 0) / 1e6}
    assert told | {"automation_level": skin.automation_level} == pytest.approx(example["figures"], abs=5e-7)
    left = [left_for_hand(told["automatic"] + told["manual"], told["made"]) for told in example["passes"]]
    assert left == example["left_for_hand"]


def _demand(told: dict[str, float]) -> Demand:
    before = {("changeover", "load"): told["load"], ("idle", "operator"): told.get("operator", 0)}
    minutes = {key: round(value * MINUTE_US) for key, value in before.items()}
    return Demand(minutes, {("running", "process"): round(told["process"] * MINUTE_US)}, {})


@pytest.mark.parametrize("example", _examples("prospects"))
def test_a_cell_on_the_page_has_the_prospects_beside_it(example: dict[str, Any]) -> None:
    demands = {str(zone): [_demand(told) for told in example["passes"]] for zone in range(example["zones"])}
    way_us, factor = example["transfer_min"] * MINUTE_US, example["factor"]
    means, present = means_of(demands, way_us), replay(demands, way_us)
    assert means is not None
    assert (present, means.per_hour()) == pytest.approx(
        (example["passes_per_hour"], example["formula_passes_per_hour"]), abs=5e-7
    )
    changes = {
        "loading": Change(LOADING, None, factor),
        "operator": Change(WAITS, "operator", factor),
        "changeover_masked": Change(CHANGEOVER_MASKED, None, 0.0),
    }
    told = {name: replay(demands, way_us, changes[name]) for name in example["prospects"]}
    assert told == pytest.approx(example["prospects"], abs=5e-7)


def test_there_are_examples_of_both() -> None:
    assert _examples("panels")
    assert _examples("prospects")


@pytest.mark.parametrize(
    ("heading", "schemas"),
    [
        ("Panels", ("TimeInPass", "PassFasteners", "FloorToFloor", "ProgramAnswer", "ChangeoverAnswer")),
        ("Prospects", ("RateAnswer", "FitAnswer", "ProspectAnswer")),
    ],
)
def test_every_field_is_explained(heading: str, schemas: tuple[str, ...]) -> None:
    explained = {part for code in codes(section(PAGE, heading)) for part in (code, *code.split("."))}
    for name in schemas:
        assert set(SCHEMAS[name]["properties"]) - explained - {"program", "floor_to_floor"} == set(), name
