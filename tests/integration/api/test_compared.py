"""GET /v1/kpi with `against`: two windows of a unit side by side, and what made the difference."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get
from tests.integration.api.plant import CELL
from tests.integration.api.problem import problem

FIRST = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T07:00:00Z"}
SECOND = {"start": "2026-03-02T07:00:00Z", "end": "2026-03-02T08:00:00Z"}


async def test_a_window_is_compared_with_another_and_the_factors_sum_to_the_difference(get: Get) -> None:
    both = await get(f"/v1/kpi/{CELL}", **SECOND, against="/".join(FIRST.values()))
    alone, other = await get(f"/v1/kpi/{CELL}", **SECOND), await get(f"/v1/kpi/{CELL}", **FIRST)
    assert {name: both[name] for name in alone} == alone
    assert both["against"] == other
    change = both["oee_change"]
    assert change["oee"] == pytest.approx(alone["oee"] - other["oee"])
    assert change["availability"] + change["performance"] + change["quality"] == pytest.approx(change["oee"])
    assert change["oee"] != 0


@pytest.mark.parametrize(
    ("window", "against", "other"),
    [
        (SECOND, "before", FIRST),
        ({"shift": "2026-03-02/late"}, "before", {"shift": "2026-03-02/early"}),
        ({"shift": "2026-03-02/late"}, "2026-03-02/early", {"shift": "2026-03-02/early"}),
        ({"day": "2026-03-02"}, "before", {"day": "2026-03-01"}),
        ({"day": "2026-03-02"}, "2026-02-28", {"day": "2026-02-28"}),
        (FIRST, "2026-03-02/early", {"shift": "2026-03-02/early"}),
    ],
)
async def test_the_other_window_is_named_or_the_one_before(
    get: Get, window: dict[str, Any], against: str, other: dict[str, Any]
) -> None:
    both = await get(f"/v1/kpi/{CELL}", **window, against=against)
    assert both["against"] == await get(f"/v1/kpi/{CELL}", **other)


async def test_where_a_window_has_no_oee_no_difference_is_told(get: Get) -> None:
    both = await get(f"/v1/kpi/{CELL}", **FIRST, against="2026-02-01")
    assert both["oee_change"] == {"oee": None, "availability": None, "performance": None, "quality": None}
    assert both["against"]["planned_s"] == 0 or both["against"]["known"] == 0


@pytest.mark.parametrize(
    ("against", "code"),
    [
        ("", "window_invalid"),
        ("yesterday", "window_invalid"),
        ("2026-02-30", "window_invalid"),
        ("20260302", "window_invalid"),
        ("2026-03-02T06:00:00Z", "window_invalid"),
        ("2026-03-02T06:00:00Z/x", "window_invalid"),
        ("2026-03-02T08:00:00Z/2026-03-02T06:00:00Z", "window_invalid"),
        ("2026-03-02T06:00:00Z/1026-03-02T06:00:00Z", "window_invalid"),
        ("2026-03-02/", "shift_unknown"),
        ("/", "shift_unknown"),
        ("2026-03-02/night", "shift_unknown"),
    ],
)
async def test_another_window_that_is_none_is_named(told: httpx.AsyncClient, against: str, code: str) -> None:
    problem(await told.get(f"/v1/kpi/{CELL}", params=FIRST | {"against": against}), code)


@pytest.mark.parametrize("call", ["kpi", "sheet"])
@pytest.mark.parametrize("moving", ["now", "last"])
async def test_what_a_window_is_compared_with_does_not_move_and_says_so(
    told: httpx.AsyncClient, call: str, moving: str
) -> None:
    found = problem(await told.get(f"/v1/{call}/{CELL}", params=FIRST | {"against": moving}), "window_invalid")
    assert "2026-11-24/early" in found["detail"]
    assert "neither now nor last" in found["detail"]


async def test_what_cannot_be_compared_is_named(told: httpx.AsyncClient) -> None:
    split = await told.get(f"/v1/kpi/{CELL}", params=FIRST | {"against": "before", "by": "hour"})
    assert "either split" in problem(split, "window_invalid")["detail"]
    problem(await told.get("/v1/kpi/bench", params=FIRST | {"against": "2026-03-02/early"}), "window_invalid")
    problem(
        await told.get(f"/v1/kpi/{CELL}", params={"shift": "2026-03-01/early", "against": "before"}), "shift_unknown"
    )
