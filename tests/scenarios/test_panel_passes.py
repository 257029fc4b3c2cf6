"""A simulated day of one cell, with stops, waits, aborts, setups and notices: its panel passes are the simulator's own."""

from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import replace
from statistics import mean, median
from typing import Any

import httpx
import pytest

from tests.scenarios.truth import rfc3339
from zoneledger.clock import now_us
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plan import Misbehaviour, Scenario
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate
from zoneledger_sim.truth import Pass, Record, Truth

HOUR_US = 3_600_000_000
START_US = 1_773_000_000_000_000
CELL = "harbour/wing-1/cell-1"
KINDS = {"running": "process", "idle": "wait", "fault": "fault"}

Get = Callable[..., Awaitable[dict[str, Any]]]
Key = tuple[str, str]


def _scenario(misbehaviour: Misbehaviour | None = None) -> Scenario:
    """Return the demo's first cell, whose every tenth panel is aborted and every third another program's."""
    scenario = demo_scenario(cells=1, seed=11, misbehaviour=misbehaviour)
    plan = replace(scenario.cells[0], abort_chance=0.1, batch=3)
    return replace(scenario, cells=(plan,), snapshot_s=30.0)


async def _feed(api: httpx.AsyncClient, scenario: Scenario, hours: int) -> Truth:
    answer = await api.put("/v1/plant", json=plant_document(scenario))
    assert answer.status_code == 200, answer.text
    until_us = START_US + hours * HOUR_US
    return await simulate(scenario, start_us=START_US, until_us=until_us, sender=HttpSender(api), now_us=now_us)


def _window(first_h: int, last_h: int) -> dict[str, Any]:
    bounds = (rfc3339(START_US + hour * HOUR_US) for hour in (first_h, last_h))
    return dict(zip(("start", "end"), bounds, strict=True)) | {"limit": 1000}


def _passes(truth: Truth, first_h: int, last_h: int) -> dict[Key, tuple[Record, Pass]]:
    edges = START_US + first_h * HOUR_US, START_US + last_h * HOUR_US
    zones = {zone: truth.records[zone] for zone in (f"{CELL}/1", f"{CELL}/2")}
    return {(zone, one.panel): (record, one) for zone, record in zones.items() for one in record.passes_in(*edges)}


def _kinds(record: Record, one: Pass) -> tuple[Counter[str], Counter[str], Counter[str]]:
    """Return a pass's true microseconds by kind, and of waits and faults by reason."""
    kinds, waits, faults = Counter[str](), Counter[str](), Counter[str]()
    for (state, reason), us in record.time_in(one).items():
        kinds[KINDS.get(state, reason)] += us
        {"idle": waits, "fault": faults}.get(state, Counter[str]())[reason] += us
    return kinds, waits, faults


def _us(seconds: dict[str, float]) -> Counter[str]:
    return Counter({name: round(value * 1_000_000) for name, value in seconds.items() if value})


async def test_every_pass_of_a_day_is_told_as_it_was(api: httpx.AsyncClient, get: Get) -> None:
    scenario = _scenario()
    truth = await _feed(api, scenario, 24)
    told = await get(f"/v1/panels/{CELL}", **_window(2, 24))
    wanted = _passes(truth, 2, 24)
    found = {(one["unit"], one["panel"]): one for one in told["passes"]}
    assert found.keys() == wanted.keys()
    assert len(wanted) == told["number"] > 40
    programs = {program.program: program for program in scenario.cells[0].programs}
    for key, (record, one) in wanted.items():
        answer, program = found[key], programs[one.program]
        assert (answer["start"], answer["end"]) == (rfc3339(one.load_begun_us), rfc3339(one.unload_ended_us))
        assert (answer["outcome"], answer["program"], answer["whole"]) == (one.outcome, one.program, True)
        assert round(answer["floor_to_floor_s"] * 1e6) == one.unload_ended_us - one.load_begun_us
        assert (_us(answer["time_s"]), _us(answer["waits_s"]), _us(answer["faults_s"])) == _kinds(record, one)
        results = Counter(made.final for made in record.made if made.panel == one.panel)
        fasteners = answer["fasteners"]
        assert Counter({name: fasteners[name] for name in ("good", "rework", "reject")}) == results
        planned = program.automatic + program.manual
        assert (fasteners["automatic"], fasteners["manual"]) == (program.automatic, program.manual)
        assert fasteners["left_for_hand"] == planned - fasteners["made"]
        assert answer["automation_level"] == fasteners["made"] / planned
    kinds = set().union(*(_kinds(*each)[0] for each in wanted.values()))
    assert kinds == {"load", "setup", "process", "wait", "fault", "unload"}, "the day has everything in it"
    await _hold_programs(told, [one for _, one in wanted.values()])


async def _hold_programs(told: dict[str, Any], wanted: list[Pass]) -> None:
    """Hold the sums by program against the true passes; the mean and median are those of Python's statistics."""
    assert {"completed", "aborted"} <= {one.outcome for one in wanted}
    assert [each["program"] for each in told["programs"]] == sorted({one.program for one in wanted})
    for each in told["programs"]:
        own = [one for one in wanted if one.program == each["program"]]
        lengths = [(one.unload_ended_us - one.load_begun_us) / 1e6 for one in own if one.outcome == "completed"]
        times = each["floor_to_floor"]
        outcomes = Counter({name: each[name] for name in ("completed", "aborted", "ended", "unfinished")})
        assert outcomes == Counter(one.outcome for one in own)
        assert (each["number"], times["count"]) == (len(own), len(lengths))
        assert (times["shortest_s"], times["longest_s"]) == (min(lengths), max(lengths))
        assert (times["mean_s"], times["median_s"]) == pytest.approx((mean(lengths), median(lengths)))
        assert times["median_s"] <= times["p90_s"] <= times["longest_s"]
        fasteners = [one["fasteners"] for one in told["passes"] if one["program"] == each["program"]]
        planned = sum(f["automatic"] + f["manual"] for f in fasteners)
        assert each["automation_level"] == pytest.approx(sum(f["made"] for f in fasteners) / planned)


async def test_hours_together_have_the_passes_of_the_day_and_zones_those_of_their_cell(
    api: httpx.AsyncClient, get: Get
) -> None:
    truth = await _feed(api, _scenario(), 8)
    day = await get(f"/v1/panels/{CELL}", **_window(0, 8))
    hours = [await get(f"/v1/panels/{CELL}", **_window(hour, hour + 1)) for hour in range(8)]
    assert [one for hour in hours for one in hour["passes"]] == day["passes"]
    zones = [await get(f"/v1/panels/{CELL}/{zone}", **_window(0, 8)) for zone in ("1", "2")]
    assert sorted((p for zone in zones for p in zone["passes"]), key=lambda p: p["end"]) == day["passes"]
    for unit in ("harbour", "harbour/wing-1"):
        assert (await get(f"/v1/panels/{unit}", **_window(0, 8)))["passes"] == day["passes"]
    for name in ("masked", "unmasked"):
        total = sum(each["changeover_s"][name] for each in (*hours, *zones))
        assert total == pytest.approx(2 * day["changeover_s"][name])
    pages = [await get(f"/v1/panels/{CELL}", **_window(0, 8) | {"limit": 3, "after": n}) for n in (0, 3)]
    assert [one for page in pages for one in page["passes"]] == day["passes"][:6]
    assert [page["next"] for page in pages] == [3, 6]
    assert len(day["passes"]) == len(_passes(truth, 0, 8)) > 12


async def test_a_pass_that_reboots_cut_is_as_long_as_it_was_and_its_lost_time_is_unknown(
    api: httpx.AsyncClient, get: Get
) -> None:
    truth = await _feed(api, _scenario(Misbehaviour(reboots_per_hour=1.5)), 12)
    told = await get(f"/v1/panels/{CELL}", **_window(1, 12))
    wanted = _passes(truth, 1, 12)
    whole = [one for one in told["passes"] if one["whole"]]
    assert len(whole) > 10
    for one in whole:
        _, true = wanted[one["unit"], one["panel"]]
        assert one["floor_to_floor_s"] * 1e6 == pytest.approx(true.unload_ended_us - true.load_begun_us, abs=0.5)
        assert sum(one["time_s"].values()) == pytest.approx(one["floor_to_floor_s"], abs=5e-6)
    assert sum(one["time_s"]["unknown"] for one in whole) > 0
    assert "unknown_time" in {each["code"] for each in told["warnings"]}
