"""What becomes of history when the plant model drops a cell, or gets a zone, in the middle of a week."""

import json
from typing import Any

import httpx

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, OTHER, PLANT, later, own, snapshot
from tests.integration.api.problem import problem

DAY = {"day": "2026-03-02"}
LINE = "bench/line-1"


def _plant(cells: list[dict[str, Any]]) -> dict[str, Any]:
    plant: dict[str, Any] = json.loads(json.dumps(PLANT))
    plant["sites"][0]["lines"][0]["cells"] = cells
    return plant


async def _declare(client: httpx.AsyncClient, cells: list[dict[str, Any]]) -> None:
    assert (await client.put("/v1/plant", json=_plant(cells))).status_code == 200


async def test_a_dropped_cell_is_told_its_ledger_kept_and_there_again_once_it_is_declared(
    told: httpx.AsyncClient, get: Get
) -> None:
    before, line = await get(f"/v1/kpi/{CELL}", **DAY), await get(f"/v1/kpi/{LINE}", **DAY)
    assert (await get("/v1/units"))["undeclared"] == []
    await _declare(told, [{"cell": "cell-2", "zones": ["1"]}])
    problem(await told.get(f"/v1/kpi/{CELL}", params=DAY), "unit_unknown")
    assert (await get("/v1/units"))["undeclared"] == [CELL]
    without = await get(f"/v1/kpi/{LINE}", **DAY)
    (warning,) = [one for one in without["warnings"] if one["code"] == "not_declared"]
    assert CELL in warning["text"]
    for call in ("panels", "failures", "rates"):
        assert warning in (await get(f"/v1/{call}/{LINE}", **DAY))["warnings"]
    assert without["planned_s"] == line["planned_s"] / 2
    assert without["revision"] > line["revision"]
    other_day = await get(f"/v1/kpi/{LINE}", day="2026-03-05")
    assert "not_declared" not in [one["code"] for one in other_day["warnings"]]
    await _declare(told, PLANT["sites"][0]["lines"][0]["cells"])
    again = await get(f"/v1/kpi/{CELL}", **DAY)
    changing = ("revision", "warnings")
    assert {k: v for k, v in again.items() if k not in changing} == {
        k: v for k, v in before.items() if k not in changing
    }


async def test_a_zone_that_comes_later_leaves_the_cell_as_it_was_and_is_unknown_before(
    told: httpx.AsyncClient, get: Get
) -> None:
    before = await get(f"/v1/kpi/{CELL}", **DAY)
    await _declare(told, [{"cell": "cell-1", "zones": ["1", "2", "3"]}, {"cell": "cell-2", "zones": ["1"]}])
    after = await get(f"/v1/kpi/{CELL}", **DAY)
    same = ("planned_s", "time_s", "oee", "fasteners", "zones")
    assert {name: after[name] for name in same[:-1]} == {name: before[name] for name in same[:-1]}
    assert {name: after["zones"][name] for name in ("1", "2")} == before["zones"]
    assert after["zones"]["3"]["time_s"]["unknown"] == after["planned_s"]
    assert after["revision"] == before["revision"] + 1
    zone = await get(f"/v1/kpi/{CELL}/3", **DAY)
    assert (zone["known"], zone["oee"], zone["utilisation"]) == (0, None, None)
    assert (await get(f"/v1/kpi/{OTHER}", **DAY))["revision"] == 1


async def test_the_passes_of_a_dropped_zone_are_told_and_so_is_that_it_was_dropped(
    told: httpx.AsyncClient, get: Get, send: Send
) -> None:
    def codes(answer: Any) -> list[str]:
        return [one["code"] for one in answer["warnings"]]

    zone = {"boot": 2, "zone": "1"}
    await send(
        snapshot(200, "1", "2", boot=2),
        own(1, 201, type="activity", activity="load", phase="begin", panel="p-1", **zone),
        own(2, 205, type="activity", activity="unload", phase="begin", **zone),
        own(3, 210, type="activity", activity="unload", phase="end", **zone),
        own(4, 211, type="activity", activity="load", phase="begin", panel="p-2", **zone),
        snapshot(215, "2", boot=2, seq=4),
    )
    window = {"start": later(201), "end": later(220)}
    before = await get(f"/v1/panels/{CELL}", **window)
    assert ([one["panel"] for one in before["passes"]], len(before["present"])) == ([None, "p-1"], 1)
    assert "zones_not_declared" not in codes(before)
    await _declare(told, [{"cell": "cell-1", "zones": ["2"]}, {"cell": "cell-2", "zones": ["1"]}])
    for unit in (CELL, LINE):
        after = await get(f"/v1/panels/{unit}", **window)
        assert (after["passes"], after["present"]) == (before["passes"], before["present"])
        (warning,) = [one for one in after["warnings"] if one["code"] == "zones_not_declared"]
        assert f"{CELL}/1" in warning["text"]
    assert "zones_not_declared" in codes(await get(f"/v1/prospects/{CELL}", **window))
    problem(await told.get(f"/v1/panels/{CELL}/1", params=window), "unit_unknown")
    # Nobody will tell that p-2 left: it is not present for ever.
    later_on = await get(f"/v1/panels/{CELL}", start=later(230), end=later(240))
    assert (later_on["present"], "zones_not_declared" in codes(later_on)) == ([], False)
