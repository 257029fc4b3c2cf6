"""GET /v1/pace: the fasteners of each zone in the equal pieces of a window."""

from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, OTHER, later, own, snapshot
from tests.integration.api.problem import problem
from tests.integration.api.test_rates import made, window

LINE = "bench/line-1"


def _sums(found: Any) -> tuple[int, int]:
    return tuple(sum(sum(zone[name]) for zone in found["zones"]) for name in ("made", "good"))  # type: ignore[return-value]


async def test_the_pace_of_the_morning(get: Get) -> None:
    found = await get(f"/v1/pace/{CELL}", **window(0, 120), parts=8)
    assert found["starts"] == [later(15 * piece) for piece in range(8)]
    # A hundred fasteners from 07:00:18 on, one each 36 s, each twentieth of them a reject.
    assert [(zone["unit"], sum(zone["made"]), sum(zone["good"])) for zone in found["zones"]] == [
        (f"{CELL}/1", 100, 95),
        (f"{CELL}/2", 0, 0),
    ]
    assert found["zones"][0]["made"] == [0, 0, 0, 0, 25, 25, 25, 25]
    assert found["zones"][0]["good"] == [0, 0, 0, 0, 24, 24, 24, 23]
    assert (found["parts"], found["until"]) == (8, found["end"])


async def test_a_window_has_96_pieces_unless_told_and_may_be_a_shift_or_a_day(get: Get) -> None:
    shift = await get(f"/v1/pace/{CELL}/1", shift="2026-03-02/early")
    assert (shift["parts"], shift["shift"], len(shift["zones"])) == (96, "2026-03-02/early", 1)
    assert shift["starts"][1] == later(5)
    day = await get(f"/v1/pace/{CELL}", day="2026-03-02", parts=1)
    assert (day["label"], _sums(day)) == ("2026-03-02", (100, 95))


async def test_pieces_that_have_not_begun_have_no_numbers(get: Get) -> None:
    # Now is 18:00, minute 720.
    found = await get(f"/v1/pace/{CELL}", **window(700, 740), parts=4)
    assert (len(found["starts"]), found["until"]) == (4, later(720))
    assert found["zones"][0]["made"] == [0, 0]
    assert (await get(f"/v1/pace/{CELL}", **window(800, 900)))["zones"][1]["made"] == []


async def test_the_zones_of_a_line_are_those_of_all_its_cells(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), made(1, 301), made(2, 302, result="rework"), cell=OTHER)
    found = await get(f"/v1/pace/{LINE}", **window(0, 480), parts=2)
    assert [(zone["unit"], zone["made"], zone["good"]) for zone in found["zones"]] == [
        (f"{CELL}/1", [100, 0], [95, 0]),
        (f"{CELL}/2", [0, 0], [0, 0]),
        (f"{OTHER}/1", [0, 2], [0, 1]),
    ]
    assert (await get("/v1/pace/bench", **window(0, 480), parts=2))["zones"] == found["zones"]


async def test_a_verdict_counts_in_the_piece_that_made_its_fastener(get: Get, send: Send) -> None:
    told = {"panel": "P", "position": "p", "zone": "1"}
    await send(snapshot(300, "1"), made(1, 301, **told), cell=OTHER)
    await send(own(2, 400, type="verdict", result="reject", **told), cell=OTHER)
    (zone,) = (await get(f"/v1/pace/{OTHER}", **window(300, 420), parts=2))["zones"]
    assert (zone["made"], zone["good"]) == ([1, 0], [0, 0])


@pytest.fixture
async def around_the_meal(send: Send) -> None:
    """Let a second cell make fasteners in and beside the meal, minutes 240 to 270: those in it are outside planned time."""
    minutes = [-30.0, 230.0, 241.5, 255.25, 269.9, 270.0, 300.0, 479.0, 480.0]
    await send(snapshot(-60, "1"), *(made(seq, minute) for seq, minute in enumerate(minutes, 1)), cell=OTHER)


# That each database counts the same in each piece is held by the contract of stores.
@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@settings(deadline=None, max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(start=st.integers(-60, 500), length=st.integers(1, 500), parts=st.integers(1, 500))
@pytest.mark.usefixtures("around_the_meal")
async def test_the_pieces_sum_to_what_the_figures_say_was_made(get: Get, start: int, length: int, parts: int) -> None:
    asked = window(start, start + length)
    for unit in (CELL, OTHER, LINE, "bench", f"{CELL}/1", f"{OTHER}/1"):
        pace, kpi = await get(f"/v1/pace/{unit}", **asked, parts=parts), await get(f"/v1/kpi/{unit}", **asked)
        fasteners = kpi["fasteners"]
        assert _sums(pace)[0] == fasteners["made"] + fasteners["outside_planned"]


@pytest.mark.parametrize("parts", ["0", "501", "-1", "1.5", "many"])
async def test_other_numbers_of_pieces_are_told_as_problems(told: httpx.AsyncClient, parts: str) -> None:
    answer = await told.get(f"/v1/pace/{CELL}", params={**window(0, 60), "parts": parts})
    assert problem(answer, "request_invalid")["errors"][0]["place"] == "query/parts"


async def test_a_window_that_is_too_long_is_told_as_a_problem(told: httpx.AsyncClient) -> None:
    answer = await told.get(f"/v1/pace/{CELL}", params=window(0, 31 * 1440 + 1))
    assert "31 days" in problem(answer, "window_invalid")["detail"]
