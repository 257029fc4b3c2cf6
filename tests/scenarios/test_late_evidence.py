"""Late and missing evidence through the API: what it changes, what it leaves alone, and when it shows."""

import random
from typing import Any

import httpx
import pytest

from tests.scenarios.story import Message
from tests.scenarios.three_cells import (
    DAYS,
    IN_ORDER,
    LATE,
    OTHER,
    PATTERNS,
    Get,
    Points,
    by_shift,
    declare,
    panels_by_shift,
    post,
    three_days,
    told_hour,
)


@pytest.fixture
async def plant(api: httpx.AsyncClient) -> None:
    await declare(api)


async def all_told(get: Get, cell: str) -> dict[str, Any]:
    """Return what the API tells of a cell over the three days."""
    return {
        "kpi": await get(f"/v1/kpi/{cell}", by="hour", **DAYS),
        "zone": await get(f"/v1/kpi/{cell}/1", by="shift", **DAYS),
        "losses": await get(f"/v1/shifts/{cell}", **DAYS),
        "timeline": await get(f"/v1/timeline/{cell}", **DAYS),
        "gaps": (await get("/v1/gaps", unit=cell))["gaps"],
        "discrepancies": (await get("/v1/discrepancies", unit=cell))["discrepancies"],
    }


def compare(before: Points, after: Points, panels: tuple[dict[str, Any], dict[str, Any]]) -> None:
    """Hold that revisions rose where figures changed, and nowhere but there and during panel passes that did."""
    rose = {shift for shift in after if after[shift][0] > before[shift][0]}
    changed = {shift for shift in after if after[shift][1] != before[shift][1]}
    told = [{str(one): one for answer in some.values() for one in answer[0] + answer[1]} for some in panels]
    moved = [one for some, other in (told, told[::-1]) for key, one in some.items() if key not in other]
    during = {shift for shift, (_, at) in after.items() if any(_overlap(one, at) for one in moved)}
    assert changed <= rose <= changed | during


def _overlap(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(one["start"] < other["end"] and (one["end"] is None or other["start"] < one["end"]))


@pytest.mark.usefixtures("plant")
async def test_a_day_that_comes_late_rewrites_its_cells_day_alone(api: httpx.AsyncClient, get: Get) -> None:
    first, second, third = three_days()
    for cell in (OTHER, IN_ORDER):
        for day in (first, second, third):
            await post(api, cell, day)
    await post(api, LATE, first)
    await post(api, LATE, third)
    other, former = await all_told(get, OTHER), await by_shift(get, LATE)
    passes = await panels_by_shift(get, LATE)
    assert former["2026-03-03/early"][1]["time_s"]["unknown"] == 8 * 3600
    await post(api, LATE, second[::-1])
    assert await all_told(get, OTHER) == other
    now = await by_shift(get, LATE)
    compare(former, now, (passes, await panels_by_shift(get, LATE)))
    # Beside the day itself the half minute before it, and what the first snapshot after it counted and nobody had told.
    beside = {"2026-03-02/night", "2026-03-04/early"}
    assert {shift for shift in now if now[shift] != former[shift]} == {
        f"2026-03-03/{name}" for name in PATTERNS
    } | beside
    assert former["2026-03-04/early"][1]["fasteners"]["unseen"] == 4 * 24
    in_order = await by_shift(get, IN_ORDER)
    for shift, (_, figures) in now.items():
        assert figures | {"unit": IN_ORDER} == in_order[shift][1]


@pytest.mark.parametrize(("database_url", "seed"), [("sqlite", 1), ("postgresql", 2)], indirect=["database_url"])
@pytest.mark.usefixtures("plant")
async def test_a_shifts_revision_rises_exactly_when_its_figures_change(
    api: httpx.AsyncClient, get: Get, seed: int
) -> None:
    rng = random.Random(seed)
    messages = [message for day in three_days() for message in day]
    rng.shuffle(messages)
    before, passes = await by_shift(get, LATE), await panels_by_shift(get, LATE)
    sent: list[Message] = []
    while messages:
        taken, messages = messages[:80], messages[80:]
        await post(api, LATE, taken)
        after = await by_shift(get, LATE)
        now = await panels_by_shift(get, LATE)
        compare(before, after, (passes, now))
        sent, before, passes = sent + taken, after, now
        await post(api, LATE, rng.sample(sent, 20))
        assert await by_shift(get, LATE) == after
    assert (await get("/v1/gaps", unit=LATE))["gaps"] == []
    assert sum(point["time_s"]["unknown"] for _, point in before.values()) == 0


async def _unknown(get: Get) -> list[tuple[str, str, str]]:
    """Return start, end and reason of the zone's unknown time up to its last message."""
    window = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T07:00:00Z"}
    units = (await get(f"/v1/timeline/{LATE}", **window))["units"]
    (spans,) = [unit["spans"] for unit in units if unit["unit"] == f"{LATE}/1"]
    return [(one["start"][11:19], one["end"][11:19], one["reason"]) for one in spans if one["state"] == "unknown"]


async def _gaps(get: Get) -> list[tuple[int, int, str, str]]:
    rows = (await get("/v1/gaps", unit=LATE))["gaps"]
    return [(row["first_seq"], row["last_seq"], row["since"][11:19], row["until"][11:19]) for row in rows]


#: What arrives late of events 4, 5, 6 and 14; which are then missing, since and until when, and from when to when all is unknown.
_LATE: tuple[tuple[tuple[int, ...], list[tuple[int, int, str, str]], list[tuple[str, str, str]]], ...] = (
    ((), [(4, 6, "06:03:00", "06:11:00"), (14, 14, "06:20:00", "06:25:00")], [("06:03:00", "06:25:00", "gap")]),
    (
        (5,),
        [(4, 4, "06:03:00", "06:07:00"), (6, 6, "06:07:00", "06:11:00"), (14, 14, "06:20:00", "06:25:00")],
        [("06:03:00", "06:25:00", "gap")],
    ),
    ((4,), [(6, 6, "06:07:00", "06:11:00"), (14, 14, "06:20:00", "06:25:00")], [("06:07:00", "06:25:00", "gap")]),
    ((6,), [(14, 14, "06:20:00", "06:25:00")], [("06:20:00", "06:25:00", "gap")]),
    ((14, 5, 4), [], []),
)


@pytest.mark.usefixtures("plant")
async def test_gaps_open_and_close_by_themselves_and_unknown_time_with_them(api: httpx.AsyncClient, get: Get) -> None:
    told = told_hour()
    missing = {
        message["seq"]: message for message in told if message["type"] != "snapshot" and message["seq"] in (4, 5, 6, 14)
    }
    await post(api, LATE, [message for message in told if message not in missing.values()])
    revisions = []
    for late, gaps, unknown in _LATE:
        await post(api, LATE, [missing[seq] for seq in late])
        assert await _gaps(get) == gaps
        assert await _unknown(get) == unknown
        revisions.append((await by_shift(get, LATE))["2026-03-02/early"][0])
    assert revisions == sorted(set(revisions))
    await post(api, IN_ORDER, told)
    now, in_order = await by_shift(get, LATE), await by_shift(get, IN_ORDER)
    assert now["2026-03-02/early"][1] | {"unit": IN_ORDER} == in_order["2026-03-02/early"][1]


@pytest.mark.usefixtures("plant")
async def test_made_against_received_gives_unseen_until_the_missing_fasteners_come(
    api: httpx.AsyncClient, get: Get
) -> None:
    told = told_hour()
    missing = [message for message in told if message["type"] == "fastener" and message["seq"] in (4, 5, 20)]
    await post(api, LATE, [message for message in told if message not in missing])
    rows = (await get("/v1/discrepancies", unit=LATE))["discrepancies"]
    assert [(row["kind"], row["zone"], row["seq"], row["unseen"]) for row in rows] == [
        ("unseen", "1", 14, 2),
        ("unseen", "1", 28, 1),
    ]
    assert rows[0]["detail"] == "the controller counts 2 more than the fasteners received"
    figures = (await by_shift(get, LATE))["2026-03-02/early"][1]
    assert (figures["fasteners"]["made"], figures["fasteners"]["unseen"]) == (17, 3)
    assert "unseen" in {one["code"] for one in figures["warnings"]}
    await post(api, LATE, missing)
    assert (await get("/v1/discrepancies", unit=LATE))["discrepancies"] == []
    figures = (await by_shift(get, LATE))["2026-03-02/early"][1]
    assert (figures["fasteners"]["made"], figures["fasteners"]["unseen"]) == (20, 0)
    assert "unseen" not in {one["code"] for one in figures["warnings"]}
