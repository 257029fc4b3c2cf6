"""GET /v1/rates: fasteners per hour, the best rolling hour, and fasteners by kind and by program."""

import statistics
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.integration.api.conftest import Get, Send
from tests.integration.api.plant import BEGIN, CELL, OTHER, PLANT, later, own, snapshot
from tests.integration.api.problem import problem

HOUR_S = 3600


def window(start: float, end: float) -> dict[str, str]:
    """Return a window by the minutes since 06:00."""
    return {"start": later(start), "end": later(end)}


def made(seq: int, minutes: float, **fields: Any) -> Any:
    """Return a good fastener of zone 1, unless told otherwise."""
    return own(seq, minutes) | {"type": "fastener", "operation": "fasten", "result": "good", "zone": "1"} | fields


def work(seq: int, minutes: float, phase: str = "begin", zone: str = "1", **fields: Any) -> Any:
    """Return the begin or end of processing."""
    return own(seq, minutes, type="activity", activity="process", phase=phase, zone=zone, **fields)


async def test_the_rates_of_the_morning(get: Get) -> None:
    found = await get(f"/v1/rates/{CELL}", **window(0, 120))
    kpi = await get(f"/v1/kpi/{CELL}", **window(0, 120))
    assert found["fasteners_per_hour"] == kpi["fasteners_per_hour"]
    assert (found["made"], found["running_s"], found["planned_s"]) == (100, 3600, 7200)
    assert (found["revision"], found["warnings"]) == (kpi["revision"], kpi["warnings"])
    # The hundred are made from 07:00:18 on, so the best hour is the last one of the window.
    assert found["best_hour"] == {"made": 100, "start": later(60), "end": later(120)}
    (kind,) = found["kinds"]
    first_pass = kpi["first_pass"]
    assert (kind["made"], kind["good"], kind["reject"]) == (100, 95, 5)
    assert (kind["first_pass_yield"], kind["yield_bounds"]) == (
        first_pass["first_pass_yield"],
        first_pass["yield_bounds"],
    )
    assert found["programs"] == [{"program": None, "made": 100, "running_s": 3600, "per_running_hour": 100}]


async def test_a_window_shorter_than_an_hour_has_no_best_hour(get: Get) -> None:
    short = {"start": "2026-03-02T07:00:00.000001Z", "end": "2026-03-02T08:00:00Z"}
    assert (await get(f"/v1/rates/{CELL}", **short))["best_hour"] is None
    assert (await get(f"/v1/rates/{CELL}", **window(60, 120)))["best_hour"]["made"] == 100
    # Read up to now, 18:00, this one is shorter, too.
    assert (await get(f"/v1/rates/{CELL}", **window(690, 800)))["best_hour"] is None


async def test_the_best_hour_is_no_hour_of_the_clock(get: Get, send: Send) -> None:
    await send(
        snapshot(300, "1"),
        *(made(seq, minute) for seq, minute in enumerate([320, 350, 355, 379.9, 380, 470], 1)),
        cell=OTHER,
    )
    found = await get(f"/v1/rates/{OTHER}", **window(300, 480))
    assert found["best_hour"] == {"made": 4, "start": later(320), "end": later(380)}


async def test_the_best_hour_counts_planned_time_only(get: Get, send: Send) -> None:
    # The meal is 10:00 to 10:30, minutes 240 to 270.
    minutes = [235, 250, 251, 252, 269.9, 270, 300, 301]
    await send(
        snapshot(230, "1"), *(made(seq, minute) for seq, minute in enumerate(minutes, 1)), own(9, 400), cell=OTHER
    )
    found = await get(f"/v1/rates/{OTHER}", **window(230, 400))
    assert found["best_hour"] == {"made": 3, "start": later(270), "end": later(330)}
    assert found["made"] == 4


async def test_the_best_hour_of_a_line_is_that_of_its_cells_together(get: Get, send: Send) -> None:
    await send(snapshot(30, "1"), *(made(seq, 50 + seq) for seq in range(1, 6)), own(6, 120), cell=OTHER)
    assert (await get(f"/v1/rates/{OTHER}", **window(30, 120)))["best_hour"]["made"] == 5
    line = await get("/v1/rates/bench/line-1", **window(30, 120))
    # Cell-2 made its five before 07:00, and an hour that has some of them has fewer of the hundred after it.
    assert line["best_hour"]["made"] == 100
    assert (line["made"], line["planned_s"]) == (105, 2 * 90 * 60)
    assert (await get(f"/v1/rates/{CELL}/2", **window(0, 120)))["best_hour"] is None


async def test_where_it_is_known_that_nothing_was_made_the_best_hour_has_none(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), own(1, 400), cell=OTHER)
    found = await get(f"/v1/rates/{OTHER}", **window(300, 400))
    assert found["best_hour"] == {"made": 0, "start": None, "end": None}
    assert (found["kinds"], found["programs"]) == ([], [])


@pytest.mark.parametrize(
    "query",
    [{"day": "2026-03-05"}, {"start": "2026-03-01T22:00:00Z", "end": "2026-03-02T04:00:00Z"}, {"day": "2026-03-01"}],
)
async def test_without_planned_time_data_or_a_present_there_are_no_rates(get: Get, query: dict[str, str]) -> None:
    found = await get(f"/v1/rates/{CELL}", **query)
    assert found["best_hour"] is None
    assert found["fasteners_per_hour"] == {"planned": None, "running": None, "good": None}
    assert (found["kinds"], found["programs"]) == ([], [])


async def test_running_time_belongs_to_the_program_that_the_zone_runs(get: Get, send: Send) -> None:
    await send(
        *(
            snapshot(300, "1", "2", boot=2),
            work(1, 300, boot=2, program="skin"),
            work(2, 310, zone="2", boot=2, program="rib"),
        ),
        *(made(3, 315, boot=2), made(4, 316, boot=2, program="trial"), made(5, 317, boot=2, zone="2")),
        *(work(6, 320, "end", boot=2), work(7, 340, boot=2), work(8, 350, "end", zone="2", boot=2)),
        *(work(9, 355, boot=2, program="skin"), work(10, 360, "end", boot=2)),
    )
    found = await get(f"/v1/rates/{CELL}", **window(300, 360))
    told = {one["program"]: (one["made"], one["running_s"] / 60) for one in found["programs"]}
    # Minutes 300 to 320 and 355 to 360 in zone 1; 320 to 340 in zone 2 alone; 340 to 355 without a program in zone 1, the first.
    assert told == {"skin": (1, 25), "rib": (1, 20), None: (0, 15), "trial": (1, 0)}
    assert sum(one["running_s"] for one in found["programs"]) == found["running_s"] == HOUR_S
    rates = {one["program"]: one["per_running_hour"] for one in found["programs"]}
    assert rates == {"skin": 60 / 25, "rib": 3, None: 0, "trial": None}
    zone = await get(f"/v1/rates/{CELL}/2", **window(300, 360))
    assert [(one["program"], one["made"], one["running_s"]) for one in zone["programs"]] == [("rib", 1, 40 * 60)]
    assert (zone["best_hour"]["made"], found["best_hour"]["made"]) == (1, 3)


async def test_a_program_that_still_runs_has_the_time_up_to_where_evidence_ends(get: Get, send: Send) -> None:
    await send(snapshot(300, "1"), work(1, 300, program="skin"), cell=OTHER)
    found = await get(f"/v1/rates/{OTHER}", **window(300, 400))
    assert [(one["program"], one["running_s"]) for one in found["programs"]] == [("skin", 30)]


async def test_a_verdict_changes_the_result_and_not_the_first_pass(get: Get, send: Send) -> None:
    await send(
        *(
            snapshot(300, "1"),
            made(1, 301, panel="p", position="1"),
            made(2, 302, panel="p", position="2", result="rework"),
        ),
        *(own(3, 310, type="verdict", panel="p", position=place, result=to) for place, to in (("1", "reject"),)),
        own(4, 311, type="verdict", panel="p", position="2", result="good"),
        cell=OTHER,
    )
    (kind,) = (await get(f"/v1/rates/{OTHER}", **window(300, 311)))["kinds"]
    assert (kind["good"], kind["rework"], kind["reject"], kind["first_pass_yield"]) == (1, 0, 1, 0.5)


SECONDS = [17.9, 4.0, 4.0, 12.25, 0.0, 18.0, 19.8, 36.0, 54.0, 90.5, 9.0]


async def test_the_seconds_that_the_controller_told(get: Get, send: Send) -> None:
    told = [made(seq, 300 + seq, seconds=value) for seq, value in enumerate(SECONDS, 1)]
    await send(snapshot(300, "1"), *told, made(len(told) + 1, 330), cell=OTHER)
    (kind,) = (await get(f"/v1/rates/{OTHER}", **window(300, 360)))["kinds"]
    found = kind["seconds"]
    assert (kind["made"], found["told"], kind["standards_s"]) == (12, 11, [18.0])
    # Python's own quantiles, of those that include the ends of the sample.
    tenths = statistics.quantiles(SECONDS, n=10, method="inclusive")
    assert [found["p10_s"], found["p90_s"]] == pytest.approx([tenths[0], tenths[-1]])
    assert (found["median_s"], found["shortest_s"], found["longest_s"]) == (statistics.median(SECONDS), 0.0, 90.5)
    assert found["mean_s"] == pytest.approx(statistics.fmean(SECONDS))
    assert found["to_standard"] == pytest.approx(statistics.fmean(SECONDS) / 18)
    classes = {one["since"]: one["number"] for one in found["histogram"] if one["number"]}
    # 17.9 is below 1.0 of the standard, 18.0 at it, 19.8 at 1.1, 36.0 at 2.0, 54.0 at 3.0, 12.25 at 0.68, 9.0 at 0.5.
    assert classes == {0.0: 3, 0.5: 1, 0.6: 1, 0.9: 1, 1.0: 1, 1.1: 1, 2.0: 1, 3.0: 2}
    ends = [(one["since"], one["before"]) for one in found["histogram"]]
    assert [before for _, before in ends[:-1]] == [since for since, _ in ends[1:]]
    assert (ends[0][0], ends[-1][1]) == (0.0, None)


async def test_a_kind_has_the_standards_that_held_when_it_was_made(
    told: httpx.AsyncClient, get: Get, send: Send
) -> None:
    site = PLANT["sites"][0]
    line = site["lines"][0] | {
        "standards": [
            {"operation": "fasten", "seconds": 18.0, "since": "2026-01-01"},
            {"operation": "fasten", "seconds": 12.0, "since": "2026-03-02"},
            {"operation": "drill", "item": "hole", "seconds": 2.0, "since": "2026-01-01"},
        ]
    }
    assert (await told.put("/v1/plant", json={"sites": [site | {"lines": [line]}]})).status_code == 200
    hole = {"operation": "drill", "item": "hole", "seconds": 3.0}
    await send(
        *(snapshot(-700, "1"), made(1, -690, seconds=18.0), made(2, 10, seconds=18.0), made(3, 11, **hole)),
        *(made(4, 12, operation="trim", seconds=5.0), own(5, 13)),
        cell=OTHER,
    )
    found = await get(f"/v1/rates/{OTHER}", **window(-700, 20))
    kinds = {one["operation"]: one for one in found["kinds"]}
    assert [one["operation"] for one in found["kinds"]] == ["fasten", "drill", "trim"]
    assert (kinds["fasten"]["standards_s"], kinds["fasten"]["seconds"]["to_standard"]) == ([12.0, 18.0], 36 / 30)
    assert (kinds["drill"]["standards_s"], kinds["drill"]["seconds"]["to_standard"]) == ([2.0], 1.5)
    trim = kinds["trim"]
    assert (trim["standards_s"], trim["seconds"]["mean_s"], trim["seconds"]["to_standard"]) == ([], 5.0, None)
    assert trim["seconds"]["histogram"] == []


@pytest.fixture
def days() -> Iterator[int]:
    """The numbers of days that no example of this test has told of."""
    return count()


FIRST_DAY = BEGIN - timedelta(days=400)
STREAM = st.lists(st.integers(0, 4 * HOUR_S), min_size=1, max_size=40)


def _by_brute_force(at_s: list[int], start_s: int, end_s: int, stop: tuple[int, int]) -> int:
    """Return the most fasteners of any hour that begins with a full second of a window, those in a planned stop left out."""
    counted = [at for at in at_s if start_s <= at < end_s and not stop[0] <= at < stop[1]]
    return max(sum(s <= at < s + HOUR_S for at in counted) for s in range(start_s, end_s - HOUR_S + 1))


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
async def test_no_hour_of_a_random_stream_has_more_than_the_best_one(
    api: httpx.AsyncClient, days: Iterator[int], data: st.DataObject
) -> None:
    """Each example is a day of its own, told in a boot of its own by two cells."""
    day = next(days)
    if day == 0:
        await _declare(api)
    begin = FIRST_DAY + timedelta(days=day)
    streams = [sorted(data.draw(STREAM)), sorted(data.draw(STREAM))]
    for cell, stream in zip((CELL, OTHER), streams, strict=True):
        await _tell(api, cell, begin, day, stream)
    start_s, length_s = data.draw(st.integers(0, HOUR_S)), data.draw(st.integers(HOUR_S, 3 * HOUR_S))
    bounds = begin + timedelta(seconds=start_s), begin + timedelta(seconds=start_s + length_s)
    stop = 2 * HOUR_S, 2 * HOUR_S + 1800
    for unit, at_s in ((CELL, streams[0]), ("bench/line-1", streams[0] + streams[1])):
        query = {"start": bounds[0].isoformat(), "end": bounds[1].isoformat()}
        best = (await api.get(f"/v1/rates/{unit}", params=query)).json()["best_hour"]
        assert best["made"] == _by_brute_force(at_s, start_s, start_s + length_s, stop)
        if best["made"]:
            first = (datetime.fromisoformat(best["start"]) - begin).total_seconds()
            assert start_s <= first <= start_s + length_s - HOUR_S
            assert sum(first <= at < first + HOUR_S and not stop[0] <= at < stop[1] for at in at_s) == best["made"]


async def _declare(api: httpx.AsyncClient) -> None:
    """Declare a line that is planned from 06:00 on, but for 08:00 to 08:30."""
    stop = {"stop": "meal", "starts": "08:00", "ends": "08:30"}
    shift = {"shift": "early", "starts": "06:00", "ends": "14:00", "repeats": "FREQ=DAILY", "since": "2024-01-01"}
    line = {"line": "line-1", "shifts": [shift | {"stops": [stop]}]}
    cells = [{"cell": name, "zones": ["1"]} for name in ("cell-1", "cell-2")]
    plant = {"sites": [{"site": "bench", "timezone": "UTC", "lines": [line | {"cells": cells}]}]}
    assert (await api.put("/v1/plant", json=plant)).status_code == 200


async def _tell(api: httpx.AsyncClient, cell: str, begin: datetime, boot: int, stream: list[int]) -> None:
    """Tell what a cell made, in seconds since the begin of a day, and that nothing else happened."""

    def at(second: int) -> dict[str, Any]:
        return {"v": 1, "boot": boot, "at": (begin + timedelta(seconds=second)).isoformat()}

    first = at(0) | {"seq": 0, "type": "snapshot", "zones": {"1": {}}, "alarms": []}
    kind = {"type": "fastener", "operation": "fasten", "result": "good", "zone": "1"}
    rows = [at(second) | kind | {"seq": seq} for seq, second in enumerate(stream, 1)]
    last = at(5 * HOUR_S) | {"seq": len(stream), "type": "snapshot", "zones": {"1": {}}, "alarms": []}
    answer = await api.post("/v1/messages", json={"cell": cell, "messages": [first, *rows, last]})
    assert answer.json()["refused"] == []


@pytest.mark.parametrize(
    ("limits", "place"),
    [
        ({"least_s": "6", "most_s": "3"}, "query"),
        ({"least_s": "3", "most_s": "3"}, "query"),
        ({"least_s": "nan"}, "query/least_s"),
        ({"most_s": "-1"}, "query/most_s"),
    ],
)
async def test_limits_of_the_seconds_that_there_cannot_be_are_a_problem(
    told: httpx.AsyncClient, limits: dict[str, str], place: str
) -> None:
    found = problem(await told.get(f"/v1/rates/{CELL}", params=window(0, 120) | limits), "request_invalid")
    assert [one["place"] for one in found["errors"]] == [place]
