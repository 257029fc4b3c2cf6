"""GET /v1/failures: trends, sums, windows of any kind, and the confidence of bounds."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.failing import alarm, codes, stop, window, work
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem


@pytest.mark.parametrize(
    ("runs", "way"),
    [([60, 4, 4, 4, 4, 4, 4], "rising"), ([4, 4, 4, 4, 4, 4, 60], "falling"), ([10, 10, 10, 10, 10, 10], None)],
)
async def test_a_trend_is_warned_of(get: Get, send: Send, runs: list[float], way: str | None) -> None:
    minute, messages = 301.0, [snapshot(300, "1"), work(1, 301)]
    for i, length in enumerate(runs):
        minute += length
        messages += [alarm(2 * i + 2, minute, "raise"), alarm(2 * i + 3, minute + 1, "clear")]
        minute += 1
    await send(*messages, work(2 * len(runs) + 2, minute + 4, "end"), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", **window(300, minute + 4))
    told = [one["text"] for one in found["warnings"] if one["code"] == "trend"]
    assert [way in text for text in told] == ([True] if way else [])
    # Laplace's score by hand: how far the mean running time at a failure lies from the middle of all running time.
    at = [sum(runs[: i + 1]) for i in range(len(runs))]
    total = sum(runs) + 4
    by_hand = (sum(at) / len(at) - total / 2) / (total / (12 * len(at)) ** 0.5)
    assert found["trend_score"] == pytest.approx(by_hand)
    assert found["trend_score"] == (await get("/v1/failures/bench/line-1", **window(300, minute + 4)))["trend_score"]


async def test_a_line_is_the_sum_of_its_cells(get: Get, send: Send) -> None:
    await send(
        snapshot(0, "1"), alarm(1, 20, "raise"), alarm(2, 50, "clear"), work(3, 60), work(4, 90, "end"), cell=OTHER
    )
    cells = [await get(f"/v1/failures/{unit}", **window(0, 120)) for unit in (CELL, OTHER)]
    line = await get("/v1/failures/bench/line-1", **window(0, 120))
    for name in ("planned_s", "running_s", "failures", "repair_s", "fault_s"):
        assert line[name] == sum(cell[name] for cell in cells), name
    assert line["mtbf_s"] == (3600 + 1800) / 2
    assert [one["unit"] for one in line["units"]] == [CELL, OTHER]
    for told, cell in zip(line["units"], cells, strict=True):
        assert told == {name: cell[name] for name in told}
    site = await get("/v1/failures/bench", **window(0, 120))
    assert site == line | {"unit": "bench"}


async def test_fault_time_is_that_of_the_figures(get: Get, send: Send) -> None:
    await send(
        snapshot(130, "1", "2", boot=2),
        own(1, 131, boot=2) | {"type": "alarm", "phase": "raise", "code": "x"} | stop("2"),
    )
    for unit in (CELL, f"{CELL}/1", f"{CELL}/2", OTHER, "bench/line-1"):
        for asked in (window(0, 120), window(40, 132), {"day": "2026-03-02"}):
            kpi, found = await get(f"/v1/kpi/{unit}", **asked), await get(f"/v1/failures/{unit}", **asked)
            time_s = kpi["time_s"]
            assert (found["fault_s"], found["running_s"]) == (time_s["fault"], time_s["running"])
            assert sum(one["fault_s"] for one in found["codes"]) == pytest.approx(found["fault_s"])
            assert sum(one["failures"] for one in found["subsystems"]) == found["failures"]
            assert found["revision"] == kpi["revision"]


async def test_a_window_without_planned_time_has_nothing_to_tell(get: Get) -> None:
    found = await get(f"/v1/failures/{CELL}", start="2026-03-01T23:00:00Z", end="2026-03-02T05:00:00Z")
    assert (found["planned_s"], found["failures"], found["mtbf_s"], found["mtbf_bounds_s"]) == (
        0,
        0,
        None,
        [None, None],
    )
    assert "no_planned_time" in codes(found)


async def test_without_data_nothing_is_told_of_failures(get: Get) -> None:
    found = await get(f"/v1/failures/{OTHER}", day="2026-03-02")
    assert (found["running_s"], found["failures"], found["mtbf_s"], found["mtbf_bounds_s"]) == (
        0,
        0,
        None,
        [None, None],
    )
    assert codes(found) == {"not_over", "unknown_time"}


async def test_a_window_yet_to_come_has_no_failures(get: Get) -> None:
    found = await get(f"/v1/failures/{CELL}", day="2026-03-05")
    assert (found["planned_s"], found["failures"], found["codes"], codes(found)) == (0, 0, [], {"not_begun"})
    assert [one["failures"] for one in found["units"]] == [0, 0]


async def test_a_fault_that_lasts_to_the_present_is_told_up_to_now(get: Get, send: Send) -> None:
    await send(snapshot(700, "1"), alarm(1, 710, "raise"), snapshot(719.9, "1", seq=1) | _active(), cell=OTHER)
    found = await get(f"/v1/failures/{OTHER}", start=later(700), end=later(800))
    assert (found["until"], found["failures"], found["repair_s"], found["ends_unseen"]) == (NOW, 1, 600, 1)
    assert {"not_over", "end_unseen"} <= codes(found)


def _active() -> dict[str, Any]:
    return {"alarms": [{"zone": "1", "code": "clamp", "severity": "stop"}]}


@pytest.mark.parametrize("route", ["failures", "rates"])
@pytest.mark.parametrize(
    ("confidence", "hint"),
    [
        *(("0.499", "or equal to 0.5"), ("0.99991", "or equal to 0.9999"), ("0", "0.5"), ("95", "0.9999")),
        *(("nan", "finite"), ("inf", "finite"), ("-inf", "finite")),
        *(("", "number"), ("high", "number"), ("0,9", "number")),
    ],
)
async def test_a_confidence_that_there_is_not_is_a_problem(
    told: httpx.AsyncClient, route: str, confidence: str, hint: str
) -> None:
    answer = await told.get(f"/v1/{route}/{CELL}", params={"day": "2026-03-02", "confidence": confidence})
    found = problem(answer, "request_invalid")
    assert [one["place"] for one in found["errors"]] == ["query/confidence"]
    assert hint in found["detail"]


@pytest.mark.parametrize("route", ["failures", "rates"])
async def test_bounds_are_wider_at_a_higher_confidence(get: Get, route: str) -> None:
    found = [await get(f"/v1/{route}/{CELL}", **window(0, 120), confidence=c) for c in (0.5, 0.9, 0.9999)]
    bounds = [one["mtbf_bounds_s"] if route == "failures" else one["kinds"][0]["yield_bounds"] for one in found]
    assert bounds[2][0] < bounds[1][0] < bounds[0][0] < bounds[0][1] < bounds[1][1] < bounds[2][1]
    assert found[1] == await get(f"/v1/{route}/{CELL}", **window(0, 120))
