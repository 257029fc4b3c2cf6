"""The page on the figures says what the figures are: its examples are put through them."""

import json
import re
from dataclasses import fields
from typing import Any

import pytest

from tests.docs.pages import ROOT, blocks, codes, read, rows, section
from zoneledger.core.figures import Account, Figures, figures_of
from zoneledger.core.states import STATES
from zoneledger.core.warnings import STAGES

PAGE = read("docs/figures.md")
EXAMPLES: list[dict[str, Any]] = [json.loads(block.text) for block in blocks(PAGE) if block.words[1:] == ("example",)]

#: Where the API's answer has another name than the core, and the page follows the answer.
NAMED = {
    "oee_low": "oee_bounds",
    "oee_high": "oee_bounds",
    "made_per_planned_hour": "fasteners_per_hour.planned",
    "made_per_running_hour": "fasteners_per_hour.running",
    "good_per_planned_hour": "fasteners_per_hour.good",
    "first_pass_yield": "first_pass.first_pass_yield",
    "rework_ratio": "first_pass.rework_ratio",
    "reject_ratio": "first_pass.reject_ratio",
}


def _us(seconds: float) -> int:
    return round(seconds * 1_000_000)


def _account(told: dict[str, Any]) -> Account:
    """Return the account that an example tells: times in seconds, fasteners as [result, number, standard seconds]."""
    times = {name.removesuffix("_s"): _us(value) for name, value in told.items() if name.endswith("_s")}
    account = Account(unseen_more=told.get("unseen", 0))
    for name in times.keys() - set(STATES):
        assert hasattr(account, f"{name}_us")
        setattr(account, f"{name}_us", times[name])
    account.book({(name, None): value for name, value in times.items() if name in STATES})
    for result, number, standard_s in told.get("fasteners", []):
        first, result = result.split(" to ") if " to " in result else (result, result)
        account.count(first, result, number, None if standard_s is None else _us(standard_s))
    return account


@pytest.mark.parametrize("example", EXAMPLES, ids=range(len(EXAMPLES)))
def test_an_example_gives_the_figures_beside_it(example: dict[str, Any]) -> None:
    accounts = [_account(told) for told in example["accounts"]]
    for account in accounts:
        assert sum(getattr(account, f"{state}_us") for state in STATES) == account.planned_us
    figures = figures_of(sum(accounts, Account()))
    told = {name: getattr(figures, name) for name in example["figures"]}
    assert told == pytest.approx(example["figures"], abs=5e-7)


def test_every_figure_is_on_the_page_and_in_an_example() -> None:
    names = {field.name for field in fields(Figures)}
    listed = {code for row in rows(PAGE) for code in codes(row[0])}
    assert {NAMED.get(name, name) for name in names} <= listed
    assert {name for example in EXAMPLES for name in example["figures"]} == names


def test_the_product_of_the_factors_is_the_oee() -> None:
    for example in EXAMPLES:
        figures = figures_of(sum((_account(told) for told in example["accounts"]), Account()))
        if figures.availability is None or figures.performance is None or figures.quality is None:
            continue
        assert figures.availability * figures.performance * figures.quality == pytest.approx(figures.oee)


def test_exactly_the_warnings_that_the_program_gives_are_listed() -> None:
    source = (ROOT / "service" / "zoneledger" / "core" / "warnings.py").read_text(encoding="utf-8")
    given = set(re.findall(r"\bWarning\(\s*\"(\w+)\"", source)) | STAGES.keys()
    assert {codes(row[0])[0] for row in rows(section(PAGE, "Warnings"))} == given
