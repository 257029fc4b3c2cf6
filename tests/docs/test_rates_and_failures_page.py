"""The page on the figures says what the figures of rates and failures are: its examples are put through them."""

import json
from typing import Any

import pytest

from tests.docs.pages import blocks, codes, read, section
from zoneledger.core.bounds import trend
from zoneledger.core.failures import Stretch, Tally, failure_figures_of
from zoneledger.core.rates import KindTally, Made

PAGE = read("docs/figures.md")
HOUR_S = 3_600


def _examples(kind: str) -> list[dict[str, Any]]:
    found = [json.loads(block.text) for block in blocks(PAGE) if block.words[1:] == (kind,)]
    assert found
    return found


def _hours(value: Any) -> Any:
    """Return seconds in hours, of bounds each; None stays."""
    if isinstance(value, tuple):
        return [_hours(each) for each in value]
    return None if value is None else value / HOUR_S


@pytest.mark.parametrize("example", _examples("failures"))
def test_an_example_of_failures_gives_the_figures_beside_it(example: dict[str, Any]) -> None:
    repairs_us = [round(hours * HOUR_S * 1e6) for hours in example["repairs_h"]]
    stretches = [Stretch(0, us, "x", us, us, counts=True, begin_seen=True, end_seen=True) for us in repairs_us]
    figures = failure_figures_of(Tally(round(example["running_h"] * HOUR_S * 1e6), stretches), example["confidence"])
    for name, told in example["figures"].items():
        found = figures.failures if name == "failures" else _hours(getattr(figures, f"{name.removesuffix('_h')}_s"))
        assert found == pytest.approx(told, abs=5e-5), name


@pytest.mark.parametrize("example", _examples("trend"))
def test_an_example_of_a_trend_gives_the_score_beside_it(example: dict[str, Any]) -> None:
    assert trend(example["failures_at_h"], example["running_h"]) == pytest.approx(example["score"], abs=5e-7)


@pytest.mark.parametrize("example", _examples("seconds"))
def test_an_example_of_seconds_gives_the_figures_beside_it(example: dict[str, Any]) -> None:
    tally = KindTally()
    for seconds in example["seconds"]:
        tally.add(Made(0, "fasten", None, None, "good", "good", seconds, 1), round(example["standard_s"] * 1e6))
    found = tally.durations()
    assert {name: getattr(found, name) for name in example["figures"]} == pytest.approx(example["figures"], abs=5e-7)
    assert {f"{one.since:.1f}": one.number for one in found.histogram if one.number} == example["histogram"]


@pytest.mark.parametrize(
    ("heading", "schemas"),
    [
        (
            "Rates",
            ["RatesAnswer", "BestHourAnswer", "KindAnswer", "DurationsAnswer", "HistogramClass", "ProgramRateAnswer"],
        ),
        ("Failures", ["FailuresAnswer", "UnitFailures", "SubsystemFailures", "CodeFailures"]),
    ],
)
def test_every_field_of_the_answers_is_explained(heading: str, schemas: list[str]) -> None:
    document = json.loads(read("docs/openapi.json"))["components"]["schemas"]
    everywhere = {"unit", "start", "end", "until", "label", "shift", "revision", "warnings", "planned_s", "code"}
    explained = {part for code in codes(section(PAGE, heading)) for part in (code, *code.split("."))}
    for name in schemas:
        assert set(document[name]["properties"]) - explained - everywhere == set(), name
