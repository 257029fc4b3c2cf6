"""The page on the figures says what the losses are: its examples are put through them."""

import json
from datetime import date
from itertools import pairwise
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest

from tests.docs.pages import blocks, codes, read, rows, section
from zoneledger.api import loss_answers
from zoneledger.core.figures import Account
from zoneledger.core.losses import MINOR_STOP, steps_of
from zoneledger.core.minor_stops import UNRATED_LIMIT_US, Cut, Pause, minor_stops
from zoneledger.core.plant import Standard
from zoneledger.core.spans import total
from zoneledger.core.standards import Standards

PAGE = section(read("docs/figures.md"), "Losses")
EXAMPLES: list[dict[str, Any]] = [json.loads(block.text) for block in blocks(PAGE) if block.words[1:] == ("losses",)]


def _us(seconds: float) -> int:
    return round(seconds * 1_000_000)


def _account(told: dict[str, Any], running_us: int) -> Account:
    account = Account(planned_us=_us(told["planned_s"]))
    account.book({("running", "process"): running_us})
    account.book(
        {(state, None): _us(told.get(f"{state}_s", 0)) for state in ("unknown", "fault", "changeover", "idle")}
    )
    for result, number, _ in told["fasteners"]:
        account.count(result, result, number, _us(told["standard_s"]))
    return account


def _pauses(told: dict[str, Any]) -> list[Pause]:
    """Return the pauses between the fasteners of an example: [result, number, seconds from one to the next]."""
    at_us, cuts = 0, list[Cut]()
    for _, number, seconds in told["fasteners"]:
        for _ in range(number):
            at_us += _us(seconds)
            cuts.append(Cut(at_us, "fasten", None, None))
    return [Pause(*pair) for pair in pairwise([None, *cuts, None])]


@pytest.mark.parametrize("example", EXAMPLES, ids=range(len(EXAMPLES)))
def test_an_example_loses_what_is_told_beside_it(example: dict[str, Any]) -> None:
    running = [(_us(start_s), _us(end_s)) for start_s, end_s in example["running_s"]]
    standard = Standard("fasten", _us(example["standard_s"]), date(1960, 1, 1))
    stops = minor_stops(running, _pauses(example), Standards([], [standard], ZoneInfo("UTC")))
    if "minor_stops_s" in example:
        assert [[start_us / 1e6, end_us / 1e6] for start_us, end_us in stops] == example["minor_stops_s"]
    account = _account(example, total(running))
    steps = steps_of(account, total(stops))
    assert {step.name: step.lost_us / 1e6 for step in steps} == example["steps_s"]
    assert steps[-1].left_us / 1e6 == account.good_standard_us / 1e6 == example["good_standard_s"]
    assert sum(example["steps_s"].values()) + example["good_standard_s"] == example["planned_s"]


def test_there_are_examples() -> None:
    assert len(EXAMPLES) == 2


def test_the_steps_are_listed_in_their_order() -> None:
    table = PAGE.partition("###")[0]
    assert [codes(row[0])[0] for row in rows(table)] == [step.name for step in steps_of(Account(), 0)]


def test_every_field_of_an_answer_is_explained() -> None:
    explained = set(codes(read("docs/figures.md")) + codes(read("docs/rest-api.md")))
    models = [loss_answers.LossAnswer]
    while models:
        for name, field in models.pop().model_fields.items():
            assert name in explained, name
            models += [one for one in (field.annotation, *get_args(field.annotation)) if hasattr(one, "model_fields")]


def test_the_limits_and_numbers_on_the_page_are_the_programs() -> None:
    assert f"At most {loss_answers.MAX_DEFECT_ROWS} `rows`" in PAGE
    assert f"`{MINOR_STOP}`" in PAGE
    assert f"has a limit of {UNRATED_LIMIT_US // 1_000_000} s" in PAGE
