"""GET /v1/commissioning: what the service makes of a cell's messages, as whoever programs its controller asks for it."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, OTHER, later, own, snapshot
from tests.integration.api.problem import problem

PATH = f"/v1/commissioning/{CELL}"


def _codes(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {one["code"]: one for one in answer["findings"]}


async def test_what_came_is_counted_by_type_over_the_hours_that_are_asked_for(get: Get) -> None:
    found = await get(PATH, hours=3)
    assert (found["cell"], found["end"]) == (CELL, NOW)
    assert found["events"]["fastener"]["number"] == found["fasteners"] == 100
    assert found["events"]["fastener"]["last"] <= later(120)
    assert found["snapshots"]["number"] > 0
    assert found["clock_offset_s"] == pytest.approx(-36_000, abs=2)
    assert (await get(PATH, hours=0.5))["fasteners"] < 100


async def test_all_that_came_hours_late_is_a_breach_and_said_so(get: Get) -> None:
    found = await get(PATH)
    assert found["kept"] is False
    assert _codes(found)["clock_off"]["severity"] == "breach"


async def test_what_was_refused_is_told_with_reason_detail_and_text(get: Get, send: Send) -> None:
    await send({"v": 1, "boot": 1, "seq": "x"}, "caf\u00e9 \U0001f527", own(3, zone="9"))
    found = (await get(PATH, hours=24))["refused"]
    assert found["number"] == 3
    assert found["by_reason"] == {"unknown_zone": 1, "not_an_object": 1, "field_missing": 1}
    assert [one["reason"] for one in found["last"]] == ["unknown_zone", "not_an_object", "field_missing"]
    assert "café" in found["last"][1]["text"] or "caf\\u00e9" in found["last"][1]["text"]
    assert found["last"][0]["arrived"] == NOW


async def test_gaps_discrepancies_alarms_and_own_types_are_told(get: Get, send: Send) -> None:
    raised = {"type": "alarm", "phase": "raise", "code": "clamp", "severity": "stop", "zone": "1"}
    cleared = {"type": "alarm", "phase": "clear", "code": "other", "severity": "stop", "zone": "1"}
    await send(snapshot(130, "1", "2", boot=2), own(3, 131, boot=2, **raised), own(4, 132, boot=2, shade=1))
    await send(own(5, 133, boot=2, **cleared), snapshot(134, "1", boot=2, seq=5))
    found = await get(PATH, hours=1)
    assert found["gaps"] == {
        "number": 1,
        "events": 2,
        "last": [{"boot": 2, "first_seq": 1, "last_seq": 2, "until": later(131)}],
    }
    assert found["discrepancies"]["not_present"]["number"] == 1
    assert found["discrepancies"]["not_present"]["last"][0]["at"] == later(133)
    assert found["events"]["own"] == {"number": 1, "last": later(132)}
    told = _codes(found)
    assert {"events_missing", "alarm_not_active", "unknown_types", "zones_unlisted", "made_absent"} <= told.keys()
    assert told["events_missing"]["number"] == 2
    assert told["alarm_not_active"]["last"] == later(133)


async def test_an_active_alarm_is_told_with_when_it_was_raised(get: Get, send: Send) -> None:
    raised = {"type": "alarm", "phase": "raise", "code": "clamp", "severity": "stop", "zone": "1"}
    await send(snapshot(130, "1", "2", boot=2), own(1, 131, boot=2, **raised), own(2, 300, boot=2))
    found = await get(PATH, hours=1)
    assert found["alarms"] == [{"zone": "1", "code": "clamp", "severity": "stop", "raised": later(131)}]
    assert _codes(found)["alarm_never_cleared"]["first"] == later(131)


async def test_of_a_cell_that_sent_nothing_it_is_told_which_names_were_refused(get: Get, send: Send) -> None:
    await send(own(1), own(2), cell="bench/line-1/cell_2")
    found = await get(f"/v1/commissioning/{OTHER}")
    assert found["kept"] is False
    assert found["zones_never_told"] == ["1"]
    told = _codes(found)
    assert told.keys() == {"nothing_came", "cell_misnamed"}
    assert "bench/line-1/cell_2" in told["cell_misnamed"]["text"]
    assert told["cell_misnamed"]["number"] == 2


async def test_a_boot_that_fell_is_found(get: Get, send: Send) -> None:
    await send(snapshot(130, "1", "2", boot=9), own(1, 131, boot=9))
    await send(snapshot(140, "1", "2", boot=3), own(1, 141, boot=3))
    told = _codes(await get(PATH, hours=1))
    assert told.keys() >= {"boot_fell", "clock_not_believed"}
    assert told["boot_fell"]["number"] == 3


async def test_boots_that_are_not_looked_at_are_counted_and_said(get: Get, send: Send) -> None:
    await send(*(snapshot(-600 + minute, "1", "2", boot=minute) for minute in range(2, 23)))
    assert "not_all_read" not in _codes(await get(PATH, hours=3))
    await send(*(snapshot(130 + minute, "1", "2", boot=100 + minute) for minute in range(110)))
    told = _codes(await get(PATH, hours=24))
    assert told["restarts_often"]["number"] > 110
    assert told.keys() >= {"not_all_read"}


async def test_only_cells_of_the_plant_are_commissioned(told: httpx.AsyncClient) -> None:
    problem(await told.get("/v1/commissioning/bench/line-1/cell-9"), "unit_unknown")
    problem(await told.get("/v1/commissioning/bench/line-1"), "level_wrong")
    problem(await told.get(f"{PATH}/1"), "level_wrong")


@pytest.mark.parametrize("hours", ["0", "-1", "24.1", "inf", "nan", "two", "", "1e9"])
async def test_hours_that_there_cannot_be_are_a_problem(told: httpx.AsyncClient, hours: str) -> None:
    found = problem(await told.get(PATH, params={"hours": hours}), "request_invalid")
    assert [one["place"] for one in found["errors"]] == ["query/hours"]
