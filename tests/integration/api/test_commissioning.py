"""GET /v1/commissioning: what the service makes of a cell's messages, as whoever programs its controller asks for it."""

from typing import Any

import httpx
import pytest

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, NOW, NOW_US, OTHER, PLANT, later, own, snapshot
from tests.integration.api.problem import problem
from zoneledger.application.hearing import HOUR_US, MAX_ROWS
from zoneledger.application.stored import RefusedRow
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service

PATH = f"/v1/commissioning/{CELL}"
SHAPE = "A cell's path looks like site/line/cell."


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


async def test_a_refused_message_far_ahead_does_not_move_the_time_looked_at(get: Get, send: Send) -> None:
    before = await get(PATH, hours=3)
    await send(own(9, 840))
    found = await get(PATH, hours=3)
    assert found["refused"]["by_reason"] == {"ahead_of_clock": 1}
    assert found["clock_offset_s"] == before["clock_offset_s"]
    assert (found["events"], found["fasteners"]) == (before["events"], before["fasteners"])
    assert _codes(found).keys() == _codes(before).keys() | {"refused_ahead_of_clock"}
    sites = (await get("/v1/units"))["sites"]
    told = {cell["unit"]: cell["clock_offset_s"] for site in sites for line in site["lines"] for cell in line["cells"]}
    assert told[CELL] == before["clock_offset_s"]


async def test_where_nothing_was_taken_a_refused_message_tells_the_clock(get: Get, send: Send) -> None:
    await send(own(1, 840), cell=OTHER)
    found = await get(f"/v1/commissioning/{OTHER}")
    assert found["clock_offset_s"] == 7200
    assert {"clock_off", "refused_ahead_of_clock"} <= _codes(found).keys()


async def test_a_clock_that_went_wrong_in_the_time_looked_at_is_told_as_it_is_now(database_url: str) -> None:
    minutes = range(-179, 1)
    clock = [NOW_US + minutes[0] * 60_000_000]
    app = create_app(build_service(database_url, clock=lambda: clock[0]))
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://test") as api,
    ):
        await api.put("/v1/plant", json=PLANT)
        for minute in minutes:
            clock[0] = NOW_US + minute * 60_000_000
            told = snapshot(720 + minute + (60 if minute > -120 else 0), "1", "2")
            answer = await api.post("/v1/messages", json={"cell": CELL, "messages": [told]})
            assert len(answer.json()["refused"]) == (minute > -120), answer.text
        found = (await api.get(PATH, params={"hours": 3})).json()
        lately = (await api.get(PATH, params={"hours": 0.5})).json()
        (site,) = (await api.get("/v1/units")).json()["sites"]
    assert site["lines"][0]["cells"][0]["clock_offset_s"] == found["clock_offset_s"] == lately["clock_offset_s"] == 3600
    assert (found["snapshots"]["number"], found["refused"]["number"]) == (60, 120)
    assert (_codes(found)["clock_off"]["severity"], _codes(found)["clock_off"]["number"]) == ("breach", 3600)
    assert "the cell is unknown; 120 messages came and were refused: " in _codes(found)["silent_now"]["text"]
    assert "31 messages came and were refused; " in _codes(lately)["nothing_came"]["text"]


async def test_where_more_was_refused_than_is_read_it_is_not_said_that_the_contract_was_kept(
    get: Get, send: Send, service: Service
) -> None:
    await send(*(snapshot(720 - n / 6, "1") for n in range(18, -1, -1)), cell=OTHER)
    path, row = f"/v1/commissioning/{OTHER}", RefusedRow(OTHER, "http", NOW_US, 0, "not_kept", "why", b"{}", 2)
    async with service.store.writing() as writing:
        await writing.add_refused([row._replace(arrived_us=NOW_US - HOUR_US), *[row] * (MAX_ROWS - 1)])
    found = await get(path, hours=0.05)
    assert (found["kept"], found["refused"]["number"]) == (True, MAX_ROWS - 1)
    async with service.store.writing() as writing:
        await writing.add_refused([row])
    found = await get(path, hours=0.05)
    assert found["kept"] is None
    assert _codes(found).keys() >= {"not_all_read", "refused_not_kept"}


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


@pytest.mark.parametrize(
    ("asked", "code", "named"),
    [
        ("cell-1", "unit_unknown", f"The plant model has no cell cell-1. {SHAPE} Did you mean {CELL}?"),
        ("cel-1", "unit_unknown", f"{SHAPE} Did you mean {CELL}?"),
        ("bench/line-2/cell-2", "unit_unknown", f"{SHAPE} Did you mean {OTHER}?"),
        ("press", "unit_unknown", f"{SHAPE} There are: {CELL}, {OTHER}."),
        (
            "bench/line-1",
            "level_wrong",
            f"bench/line-1 is a line, and a cell is commissioned. {SHAPE} Did you mean {CELL}, {OTHER}?",
        ),
        (f"{CELL}/1", "level_wrong", f"{SHAPE} Did you mean {CELL}?"),
    ],
)
async def test_only_cells_are_commissioned_and_those_that_may_be_meant_are_named(
    told: httpx.AsyncClient, asked: str, code: str, named: str
) -> None:
    found = problem(await told.get(f"/v1/commissioning/{asked}"), code)
    assert found["detail"].endswith(named)


async def test_of_many_cells_the_first_are_named_and_how_many_more_there_are(api: httpx.AsyncClient) -> None:
    cells = [{"cell": f"cell-{n}", "zones": ["1"]} for n in range(1, 31)]
    lines = [{"line": "line-1", "cells": cells}, {"line": "line-10", "cells": [{"cell": "press", "zones": ["1"]}]}]
    plant = {"sites": [{"site": "bench", "timezone": "UTC", "lines": lines}]}
    assert (await api.put("/v1/plant", json=plant)).status_code == 200
    first = ", ".join(f"bench/line-1/cell-{n}" for n in range(1, 11))

    async def detail(path: str, code: str) -> str:
        told: str = problem(await api.get(path), code)["detail"]
        return told

    assert (await detail("/v1/commissioning/zzz", "unit_unknown")).endswith(f"There are: {first} and 21 more.")
    assert (await detail("/v1/commissioning/bench/line-1", "level_wrong")).endswith(f"mean {first} and 20 more?")
    assert (await detail("/v1/kpi/bench/line-1/cell-99", "unit_unknown")).endswith(f"There are: {first} and 20 more.")


@pytest.mark.parametrize("hours", ["0", "-1", "24.1", "inf", "nan", "two", "", "1e9"])
async def test_hours_that_there_cannot_be_are_a_problem(told: httpx.AsyncClient, hours: str) -> None:
    found = problem(await told.get(PATH, params={"hours": hours}), "request_invalid")
    assert [one["place"] for one in found["errors"]] == ["query/hours"]
