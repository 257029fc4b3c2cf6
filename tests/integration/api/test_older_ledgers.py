"""What is told of a ledger that an earlier version derived, until it is derived anew."""

from dataclasses import replace

import pytest

from tests.integration.api.conftest import Get
from tests.integration.api.plant import CELL, later
from zoneledger.bootstrap import Service
from zoneledger.core.booking import FOLD

WINDOW = {"start": later(0), "end": later(120)}


@pytest.mark.parametrize("call", ["panels", "prospects", "rates", "failures"])
async def test_what_is_not_in_an_older_ledger_yet_is_not_told_as_nothing(get: Get, service: Service, call: str) -> None:
    def codes(answer: dict[str, list[dict[str, str]]]) -> list[str]:
        return [warning["code"] for warning in answer["warnings"]]

    assert "older_ledger" not in codes(await get(f"/v1/{call}/{CELL}", **WINDOW))
    async with service.store.writing() as writing:
        head = (await writing.lock_heads([CELL]))[CELL]
        await writing.save_heads([replace(head, fold=FOLD - 1)])
    assert "older_ledger" in codes(await get(f"/v1/{call}/{CELL}", **WINDOW))
