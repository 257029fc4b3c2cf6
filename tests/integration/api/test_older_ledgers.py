"""What is told of a ledger that an earlier version derived, until it is derived anew."""

from dataclasses import replace

import pytest

from tests.integration.api.conftest import Get
from tests.integration.api.plant import CELL, later
from zoneledger.bootstrap import Service
from zoneledger.core.booking import FOLD
from zoneledger.core.validation import parse_instant

WINDOW = {"start": later(0), "end": later(120)}
DERIVED_FROM = later(60)


def codes(answer: dict[str, list[dict[str, str]]]) -> list[str]:
    return [warning["code"] for warning in answer["warnings"]]


@pytest.mark.parametrize("call", ["losses", "panels", "prospects", "rates", "failures"])
async def test_what_is_not_in_an_older_ledger_yet_is_not_told_as_nothing(get: Get, service: Service, call: str) -> None:
    assert "older_ledger" not in codes(await get(f"/v1/{call}/{CELL}", **WINDOW))
    async with service.store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        await writing.save_heads([replace(head, fold=FOLD - 1)])
    assert "older_ledger" in codes(await get(f"/v1/{call}/{CELL}", **WINDOW))


@pytest.mark.parametrize("call", ["losses", "panels", "prospects", "rates", "failures"])
async def test_a_window_that_reaches_into_time_that_never_was_derived_says_so(
    get: Get, service: Service, call: str
) -> None:
    async with service.store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        await writing.save_heads([replace(head, derived_from_us=parse_instant("from", DERIVED_FROM))])
    told = await get(f"/v1/{call}/{CELL}", **WINDOW)
    (warning,) = [one for one in told["warnings"] if one["code"] == "not_derived"]
    assert CELL in warning["text"]
    assert "not_derived" not in codes(await get(f"/v1/{call}/{CELL}", start=DERIVED_FROM, end=later(120)))
