"""GET /v1/sheet: all that a shift sheet shows, of one moment, and the same as the other calls tell."""

import json
from typing import Any

import httpx
from sqlalchemy import Engine
from sqlalchemy import event as listened

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import CELL, OTHER, PLANT, later, snapshot
from tests.integration.api.problem import problem
from zoneledger.api.sheet_answers import SheetAnswer

LINE, SHIFT = "bench/line-1", "2026-03-02/early"


async def test_the_sheet_is_what_the_other_calls_tell(get: Get) -> None:
    sheet = await get(f"/v1/sheet/{LINE}", shift=SHIFT)
    assert sheet["figures"] == await get(f"/v1/kpi/{LINE}", shift=SHIFT, against="before")
    assert sheet["losses"] == await get(f"/v1/losses/{LINE}", shift=SHIFT)
    assert sheet["panels"] == await get(f"/v1/panels/{LINE}", shift=SHIFT, limit=200)
    assert [cell["figures"] for cell in sheet["cells"]] == [
        await get(f"/v1/kpi/{cell}", shift=SHIFT) for cell in (CELL, OTHER)
    ]
    asked = await get(f"/v1/questions/{LINE}", shift=SHIFT)
    assert sheet["questions"] == {name: asked[name] for name in ("number", "total_s", "questions")}
    pace = await get(f"/v1/pace/{LINE}", shift=SHIFT)
    assert (sheet["pace_starts"], sheet["pace"]) == (pace["starts"], pace["zones"])


async def test_the_ledger_of_a_sheet_is_read_once_for_all_of_its_parts(get: Get) -> None:
    """Once for the figures, ribbons, losses and questions of all cells, once for the window before, and once for panel passes.

    Those may begin before the window.
    """
    asked = list[str]()

    def hear(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        asked.append(statement)

    listened.listen(Engine, "before_cursor_execute", hear)
    try:
        await get(f"/v1/sheet/{LINE}", shift=SHIFT)
    finally:
        listened.remove(Engine, "before_cursor_execute", hear)
    assert sum("spans.state" in statement for statement in asked) == 3


async def test_each_cell_is_warned_of_what_it_made_itself_without_a_standard(get: Get, send: Send) -> None:
    for cell, operation in ((CELL, "drill"), (OTHER, "trim")):
        begin = snapshot(125, "1", boot=2)
        made = {"v": 1, "boot": 2, "seq": 1, "at": later(126), "type": "fastener", "zone": "1", "result": "good"}
        await send(begin, made | {"operation": operation}, cell=cell)
    sheet = await get(f"/v1/sheet/{LINE}", shift=SHIFT)
    assert [cell["figures"]["warnings"] for cell in sheet["cells"]] == [
        (await get(f"/v1/kpi/{cell}", shift=SHIFT))["warnings"] for cell in (CELL, OTHER)
    ]
    told = [json.dumps(cell["figures"]["warnings"]) for cell in sheet["cells"]]
    assert [("drill" in text, "trim" in text) for text in told] == [(True, False), (False, True)]


async def test_the_sheet_is_as_it_is_described(get: Get) -> None:
    for query in ({"shift": SHIFT}, {"day": "2026-03-02"}, {"start": later(0), "end": later(60)}, {}):
        told = await get(f"/v1/sheet/{LINE}", **query)
        SheetAnswer.model_validate(told, strict=False)
        assert set(told) == set(SheetAnswer.model_fields)


def _spans(sheet: Any, ribbon: Any) -> list[tuple[float, str, str | None]]:
    names = {
        letter: state
        for state, letter in zip(("running", "idle", "fault", "changeover", "unknown"), "RIFCU", strict=True)
    }
    reasons = [sheet["reason_names"][place] for place in ribbon["reasons"]]
    return [
        (to_s, names[letter], reason)
        for to_s, letter, reason in zip(ribbon["to_s"], ribbon["states"], reasons, strict=True)
    ]


async def test_ribbons_are_the_timeline(get: Get) -> None:
    sheet = await get(f"/v1/sheet/{CELL}", start=later(0), end=later(240))
    timeline = await get(f"/v1/timeline/{CELL}", start=later(0), end=later(240))
    (cell,) = sheet["cells"]
    assert [ribbon["unit"] for ribbon in cell["ribbons"]] == [CELL, f"{CELL}/1", f"{CELL}/2"]
    for ribbon, unit in zip(cell["ribbons"], timeline["units"], strict=True):
        told = [(later(to_s / 60), state, reason) for to_s, state, reason in _spans(sheet, ribbon)]
        assert told == [(span["end"], span["state"], span["reason"]) for span in unit["spans"]]
    assert sheet["part_s"] is None


async def test_what_people_said_is_on_the_ribbon_and_among_the_notes(get: Get, told: httpx.AsyncClient) -> None:
    given = {
        "unit": CELL,
        "start": later(30),
        "end": later(60),
        "reason": "sensor",
        "by": "maintenance",
        "note": "dusty",
    }
    number = (await told.post("/v1/reasons", json=given)).json()["id"]
    sheet = await get(f"/v1/sheet/{CELL}", shift=SHIFT)
    own = sheet["cells"][0]["ribbons"][0]
    places = [place for place, entry in own["given_ids"].items() if entry == number]
    assert [own["given"][place] for place in places] == ["sensor"]
    assert own["states"][int(places[0])] == "F"
    (note,) = sheet["notes"]
    assert (note["id"], note["note"], note["stands"], note["in_effect_s"]) == (number, "dusty", True, 1800.0)
    await told.post(f"/v1/reasons/{number}/undo", json={"by": "maintenance"})
    first, second = (await get(f"/v1/sheet/{CELL}", shift=SHIFT))["notes"]
    assert (first["stands"], first["in_effect_s"], second["undoes"]) == (False, 0.0, number)


async def test_the_windows_beside_it_can_be_asked_for(get: Get) -> None:
    sheet = await get(f"/v1/sheet/{LINE}", shift=SHIFT)
    assert sheet["previous"] == {"label": "2026-03-01/late", "query": {"shift": "2026-03-01/late"}, "begun": True}
    assert sheet["next"] == {"label": "2026-03-02/late", "query": {"shift": "2026-03-02/late"}, "begun": True}
    late = await get(f"/v1/sheet/{LINE}", **sheet["next"]["query"])
    assert late["next"]["begun"] is False
    day = await get(f"/v1/sheet/{LINE}", day="2026-03-02")
    assert (day["previous"]["query"], day["next"]["begun"]) == ({"day": "2026-03-01"}, False)
    hour = await get(f"/v1/sheet/{LINE}", start=later(60), end=later(120))
    assert hour["previous"]["query"] == {"start": later(0), "end": later(60)}
    assert hour["next"]["query"] == {"start": later(120), "end": later(180)}


async def test_without_a_window_it_is_the_shift_that_began_last_or_today(get: Get) -> None:
    # Now is 18:00.
    assert (await get(f"/v1/sheet/{LINE}"))["shift"] == "2026-03-02/late"
    assert (await get("/v1/sheet/bench"))["label"] == "2026-03-02"


async def test_before_the_first_shift_there_is_nothing_to_compare_with(get: Get) -> None:
    sheet = await get(f"/v1/sheet/{LINE}", shift="2026-03-01/early")
    assert sheet["previous"] is None
    assert (sheet["figures"]["against"], sheet["figures"]["oee_change"]) == (None, None)


async def test_a_target_of_a_cell_wins_over_that_of_its_line(get: Get, told: httpx.AsyncClient) -> None:
    assert (await get(f"/v1/sheet/{LINE}", shift=SHIFT))["target"] is None
    line = PLANT["sites"][0]["lines"][0]
    own = {**line["cells"][0], "targets": [{"since": "2026-03-02", "good_per_hour": 90.0}]}
    promised = [{"since": "2026-01-01", "oee": 0.6}, {"since": "2026-03-03", "oee": 0.7}]
    changed = {**line, "targets": promised, "cells": [own, line["cells"][1]]}
    figures = (await get(f"/v1/sheet/{LINE}", shift=SHIFT))["figures"]
    assert (await told.put("/v1/plant", json={"sites": [{**PLANT["sites"][0], "lines": [changed]}]})).status_code == 200
    sheet = await get(f"/v1/sheet/{LINE}", shift=SHIFT)
    assert sheet["target"] == {"since": "2026-01-01", "oee": 0.6, "good_per_hour": None}
    assert sheet["cells"][0]["target"] == {"since": "2026-03-02", "oee": None, "good_per_hour": 90.0}
    assert sheet["cells"][1]["target"] == sheet["target"]
    assert sheet["figures"] == figures, "a target changes no figure, and no revision"


async def test_a_window_that_is_not_over_is_told_up_to_now(get: Get, send: Send) -> None:
    await send(snapshot(719, "1", "2", boot=2))
    sheet = await get(f"/v1/sheet/{CELL}", shift="2026-03-02/late")
    assert (sheet["until"], sheet["now"]) == (later(720), later(720))
    assert {ribbon["to_s"][-1] for ribbon in sheet["cells"][0]["ribbons"]} == {4 * 3600.0}


async def test_a_zone_has_its_ribbon_on_its_cells_sheet(told: httpx.AsyncClient) -> None:
    answer = await told.get(f"/v1/sheet/{CELL}/1", params={"shift": SHIFT})
    assert f"ask for {CELL}" in problem(answer, "level_wrong")["detail"]


async def test_too_long_a_window_is_refused_and_told_how_long_may_be(told: httpx.AsyncClient) -> None:
    answer = await told.get(
        f"/v1/sheet/{LINE}", params={"start": "2026-01-01T00:00:00Z", "end": "2026-03-01T00:00:00Z"}
    )
    assert "A sheet of 2 cells is of at most 31.0 days" in answer.json()["detail"]
    assert answer.status_code == 422
    answer = await told.get(
        f"/v1/sheet/{CELL}", params={"start": "2026-01-01T00:00:00Z", "end": "2026-03-01T00:00:00Z"}
    )
    assert "A sheet of 1 cell is of at most 31.0 days" in answer.json()["detail"]
