"""The revision of a shift's figures: what raises it, and what does not."""

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any

import httpx

from tests.scenarios.story import Story, results

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CELL = "bench/line-1/cell-1"
WINDOW = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T14:00:00Z"}
STANDARD = {"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"}

Get = Callable[..., Awaitable[dict[str, Any]]]
Declare = Callable[..., Awaitable[None]]


async def _post(api: httpx.AsyncClient, messages: list[dict[str, Any]]) -> None:
    answer = await api.post("/v1/messages", json={"cell": CELL, "messages": messages})
    assert answer.json()["refused"] == []


async def test_late_messages_raise_the_revision_and_duplicates_do_not(
    api: httpx.AsyncClient, get: Get, declare: Declare
) -> None:
    await declare(standards=[STANDARD])
    messages = Story(BEGIN).run(60, results(40)).fault(30).run(60, results(20)).close()
    late, rest = messages[20:25], messages[:20] + messages[25:]
    await _post(api, rest)
    first = await get(f"/v1/kpi/{CELL}", **WINDOW)
    assert first["fasteners"]["made"] == 55
    await _post(api, rest)
    assert (await get(f"/v1/kpi/{CELL}", **WINDOW))["revision"] == first["revision"]
    await _post(api, late)
    second = await get(f"/v1/kpi/{CELL}", **WINDOW)
    assert second["fasteners"]["made"] == 60
    assert second["revision"] > first["revision"]
    before = await get(f"/v1/kpi/{CELL}", start="2026-03-01T06:00:00Z", end="2026-03-01T14:00:00Z")
    assert before["revision"] == 1


async def test_a_late_message_under_a_span_that_is_still_open_raises_it(
    api: httpx.AsyncClient, get: Get, declare: Declare
) -> None:
    await declare(standards=[STANDARD])
    story = Story(BEGIN)
    story.event(30, type="wait", phase="begin", **{"for": "panel"})
    story.minute = 60
    messages = story.close()
    await _post(api, messages[1:])
    first = await get(f"/v1/kpi/{CELL}", **WINDOW)
    await _post(api, messages[:1])
    second = await get(f"/v1/kpi/{CELL}", **WINDOW)
    assert second["time_s"]["idle"] > first["time_s"]["idle"]
    assert second["revision"] > first["revision"]


async def test_a_backlog_after_a_silence_raises_it(api: httpx.AsyncClient, get: Get, declare: Declare) -> None:
    await declare(standards=[STANDARD])
    story = Story(BEGIN).wait(30)
    story.snapshot()
    sent = len(story.messages)
    messages = story.run(60, results(10)).close()
    await _post(api, messages[:sent])
    first = await get(f"/v1/kpi/{CELL}", **WINDOW)
    await _post(api, messages[sent:])
    second = await get(f"/v1/kpi/{CELL}", **WINDOW)
    assert second["time_s"]["unknown"] < first["time_s"]["unknown"]
    assert second["revision"] > first["revision"]


async def test_a_changed_standard_raises_it_from_its_date_on(
    api: httpx.AsyncClient, get: Get, declare: Declare
) -> None:
    await declare(standards=[STANDARD])
    await _post(api, Story(BEGIN).run(60, results(40)).close())
    first = await get(f"/v1/kpi/{CELL}", **WINDOW)
    await declare(standards=[STANDARD, STANDARD | {"seconds": 20.0, "since": "2026-03-03"}])
    assert await get(f"/v1/kpi/{CELL}", **WINDOW) == first
    await declare(standards=[STANDARD, STANDARD | {"seconds": 20.0, "since": "2026-03-02"}])
    second = await get(f"/v1/kpi/{CELL}", **WINDOW)
    assert second["standard_s"] == 40 * 20
    assert second["revision"] == first["revision"] + 1
    listed = await get(f"/v1/revisions/{CELL}", **WINDOW)
    assert len(listed["revisions"]) + 1 == second["revision"]
    last = listed["revisions"][-1]
    assert (last["unit"], last["cause"]) == ("bench/line-1", "plant version 3")
    assert (last["start"], last["end"]) == ("2026-03-02T00:00:00Z", None)
    before = {"start": "2026-03-01T06:00:00Z", "end": "2026-03-02T00:00:00Z"}
    assert (await get(f"/v1/revisions/{CELL}", **before))["revisions"] == []


async def test_figures_that_change_after_their_window_say_so_and_others_do_not(
    api: httpx.AsyncClient, get: Get, declare: Declare
) -> None:
    shift = {"shift": "early", "starts": "06:00", "ends": "14:00", "repeats": "FREQ=DAILY", "since": "2026-03-01"}
    await declare(standards=[STANDARD], shifts=[shift])
    days = {"start": "2026-03-01T00:00:00Z", "end": "2026-03-04T00:00:00Z"}
    assert [one["restated"] for one in (await get("/v1/shifts/bench/line-1", **days))["shifts"]] == [None] * 3
    await _post(api, Story(BEGIN).run(60, results(40)).close())  # months late: it restates what nobody had seen
    told = await get("/v1/shifts/bench/line-1", **days)
    assert [one["shift"] for one in told["shifts"] if one["restated"]] == ["2026-03-02/early"]
    change = (await get(f"/v1/revisions/{CELL}", **WINDOW))["revisions"][-1]
    assert told["shifts"][1]["restated"] == change["recorded"]
    codes = {}
    for shift_id in ("2026-03-01/early", "2026-03-02/early"):
        warnings = (await get(f"/v1/kpi/{CELL}", shift=shift_id))["warnings"]
        codes[shift_id] = {one["code"]: one["text"] for one in warnings}
    assert "restated" not in codes["2026-03-01/early"]
    assert change["cause"] == "messages after a silence"
    assert "last because messages came after a silence" in codes["2026-03-02/early"]["restated"]


async def test_changes_are_listed_page_by_page_each_once(api: httpx.AsyncClient, get: Get, declare: Declare) -> None:
    for seconds in (18.0, 19.0, 20.0, 21.0):
        await declare(standards=[STANDARD | {"seconds": seconds}])
    found, after = [], 0
    while after is not None:
        page = await get("/v1/revisions/bench", **WINDOW, after=after, limit=2)
        found += [one["cause"] for one in page["revisions"]]
        after = page["next"]
    assert found == ["plant version 2", "plant version 3", "plant version 4"]
