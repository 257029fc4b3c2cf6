"""Ten simulated weeks of a cell, each of another seed: every figure that the service tells is the simulator's own truth."""

from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import httpx
import pytest

from tests.oracle.ledger import Fastener, Piece
from tests.oracle.minor_stops import Rate, minor_stops
from tests.scenarios.truth import rfc3339
from zoneledger.clock import now_us
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.durations import Fixed, Triangular
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plan import Scenario, ShiftPlan
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate
from zoneledger_sim.truth import Made, Truth

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
START_US = 1_772_409_600_000_000  # 2026-03-02T00:00:00Z, a Monday
CELL = "harbour/wing-1/cell-1"
WEEK = {"start": rfc3339(START_US), "end": rfc3339(START_US + 7 * DAY_US)}
STATES = ("running", "idle", "fault", "changeover")
SHIFTS = (ShiftPlan("early", "06:00", "14:00", ("10:00", "10:30")), ShiftPlan("late", "14:00", "22:00"))

Get = Callable[..., Awaitable[dict[str, Any]]]
Interval = tuple[int, int]


def _scenario(seed: int) -> Scenario:
    """Return the demo's first cell in two shifts, its steps ten times as long, so that a week has some thousand fasteners."""
    scenario = demo_scenario(cells=1, seed=seed)
    cell = scenario.cells[0]
    programs = tuple(
        replace(
            program,
            steps=tuple(
                replace(step, count=max(1, step.count // 10), head=Triangular(35.0, 45.0, 140.0), standard_s=40.0)
                for step in program.steps
            ),
        )
        for program in cell.programs
    )
    cell = replace(cell, programs=programs, load=Fixed(1500.0), abort_chance=0.05)
    return replace(scenario, cells=(cell,), shifts=SHIFTS, timezone="UTC", snapshot_s=600.0)


def _planned(day: int, shift: str) -> list[Interval]:
    begin_us = START_US + day * DAY_US
    hours = [(6.0, 10.0), (10.5, 14.0)] if shift == "early" else [(14.0, 22.0)]
    return [(begin_us + round(start * HOUR_US), begin_us + round(end * HOUR_US)) for start, end in hours]


def _overlap(start_us: int, end_us: int, planned: list[Interval]) -> int:
    return sum(max(0, min(end_us, stop_us) - max(start_us, begin_us)) for begin_us, stop_us in planned)


class _True:
    """What the simulator knows of the cell, and what follows from it for planned time."""

    def __init__(self, truth: Truth, planned: list[Interval]) -> None:
        self.planned = planned
        self.spans = list(truth.records[CELL].spans(START_US, truth.until_us))
        zones = [truth.records[f"{CELL}/{zone}"] for zone in ("1", "2")]
        self.made = sorted((made for zone in zones for made in zone.made), key=lambda made: made.at_us)
        self.inside = [made for made in self.made if _overlap(made.at_us, made.at_us + 1, planned)]

    def times(self) -> dict[tuple[str, str], int]:
        found: Counter[tuple[str, str]] = Counter()
        for start_us, end_us, standing in self.spans:
            found[standing] += _overlap(start_us, end_us, self.planned)
        return {standing: us for standing, us in found.items() if us}

    def count(self, *results: str, of: str = "final") -> int:
        return sum(getattr(made, of) in results for made in self.inside)

    def minor_us(self) -> int:
        """Return the minor stops by the slow reading of the rule, off the true spans and fasteners."""
        pieces = [Piece(start, end, state, reason) for start, end, (state, reason) in self.spans]
        stops = minor_stops(pieces, [_as_booked(i, made) for i, made in enumerate(self.made)], _RATES)
        return sum(_overlap(start_us, end_us, self.planned) for start_us, end_us in stops)

    def failures(self) -> list[Interval]:
        """Return the stretches of fault time without another state between; those that begin in planned time count."""
        runs: list[Interval] = []
        for start_us, end_us, (state, _) in self.spans:
            if state != "fault":
                continue
            if runs and runs[-1][1] == start_us:
                runs[-1] = (runs[-1][0], end_us)
            else:
                runs.append((start_us, end_us))
        return [run for run in runs if _overlap(run[0], run[0] + 1, self.planned)]


_RATES = [Rate(operation, 40_000_000) for operation in ("drill", "fasten", "trim")]


def _as_booked(number: int, made: Made) -> Fastener:
    told = (made.operation, made.final, made.first, made.program, made.panel, made.item, made.position)
    return Fastener(made.at_us, made.zone, *told, 1, number)


@pytest.fixture
async def week(api: httpx.AsyncClient, database_url: str, number: int) -> Truth:
    """A week that the service has been told of: the ten are five on each database."""
    scenario = _scenario(2 * number + database_url.startswith("postgresql"))
    assert (await api.put("/v1/plant", json=plant_document(scenario))).status_code == 200
    until_us = START_US + 7 * DAY_US
    return await simulate(scenario, start_us=START_US, until_us=until_us, sender=HttpSender(api), now_us=now_us)


@pytest.mark.parametrize("number", range(5))
async def test_every_figure_of_a_week_is_the_simulators_own_truth(week: Truth, get: Get) -> None:
    week_planned = [one for day in range(7) for shift in ("early", "late") for one in _planned(day, shift)]
    true = _True(week, week_planned)
    kpi = await get(f"/v1/kpi/{CELL}", **WEEK)
    _check_figures(kpi, true)
    _check_losses(await get(f"/v1/losses/{CELL}", **WEEK), true)
    _check_failures(await get(f"/v1/failures/{CELL}", **WEEK), true)
    _check_rates(await get(f"/v1/rates/{CELL}", **WEEK), true)
    _check_panels(await get(f"/v1/panels/{CELL}", **WEEK, limit=1000), week)
    shifts = (await get(f"/v1/kpi/{CELL}", **WEEK, by="shift"))["series"]
    names = [(day, shift) for day in range(7) for shift in ("early", "late")]
    assert len(shifts) == len(names)
    for told, (day, shift) in zip(shifts, names, strict=True):
        _check_figures(told, _True(week, _planned(day, shift)))


def _check_figures(kpi: dict[str, Any], true: _True) -> None:
    reasons = {(state, reason): s for state, row in kpi["reasons_s"].items() for reason, s in row.items()}
    assert {key: round(s * 1e6) for key, s in reasons.items()} == true.times()
    known_s = sum(true.times().values()) / 1e6
    assert (kpi["planned_s"], kpi["time_s"]["unknown"]) == (known_s, 0)
    by_result = {result: true.count(result) for result in ("good", "rework", "reject")}
    assert {result: kpi["fasteners"][result] for result in by_result} == by_result
    assert {result: kpi["first_pass"][result] for result in by_result} == {
        r: true.count(r, of="first") for r in by_result
    }
    made, running_s = len(true.inside), sum(us for (state, _), us in true.times().items() if state == "running") / 1e6
    assert (kpi["fasteners"]["made"], kpi["standard_s"], kpi["good_standard_s"]) == (
        made,
        40.0 * made,
        40.0 * by_result["good"],
    )
    assert kpi["availability"] == pytest.approx(running_s / known_s, rel=1e-12)
    assert kpi["performance"] == pytest.approx(40 * made / running_s, rel=1e-12)
    assert kpi["quality"] == pytest.approx(by_result["good"] / made, rel=1e-12)
    assert kpi["oee"] == pytest.approx(40 * by_result["good"] / known_s, rel=1e-12)
    assert kpi["oee_bounds"] == pytest.approx([kpi["oee"]] * 2, rel=1e-12)
    assert kpi["fasteners_per_hour"]["planned"] == pytest.approx(made * 3600 / known_s, rel=1e-12)


def _check_losses(losses: dict[str, Any], true: _True) -> None:
    lost_us = {step["step"]: round(step["lost_s"] * 1e6) for step in losses["steps"]}
    by_state: Counter[str] = Counter()
    for (state, _), us in true.times().items():
        by_state[state] += us
    assert {state: lost_us[state] for state in STATES[1:]} == {state: by_state[state] for state in STATES[1:]}
    minor_us = true.minor_us()
    assert minor_us > 0
    assert lost_us["minor_stops"] == minor_us
    assert lost_us["speed"] == by_state["running"] - 40_000_000 * len(true.inside) - minor_us
    assert (lost_us["rework"], lost_us["reject"]) == tuple(40_000_000 * true.count(r) for r in ("rework", "reject"))
    assert sum(lost_us.values()) + round(losses["good_standard_s"] * 1e6) == round(losses["planned_s"] * 1e6)


def _check_failures(failures: dict[str, Any], true: _True) -> None:
    runs = true.failures()
    assert len(runs) > 10
    repair_us = sum(_overlap(*run, true.planned) for run in runs)
    assert (failures["failures"], round(failures["repair_s"] * 1e6)) == (len(runs), repair_us)
    assert failures["mttr_s"] == pytest.approx(repair_us / len(runs) / 1e6, rel=1e-12)
    assert failures["mtbf_s"] == pytest.approx(failures["running_s"] / len(runs), rel=1e-12)


def _check_rates(rates: dict[str, Any], true: _True) -> None:
    at_us = [made.at_us for made in true.inside]
    first, most = 0, 0
    for last, us in enumerate(at_us):
        while us - at_us[first] >= HOUR_US:
            first += 1
        most = max(most, last - first + 1)
    assert rates["best_hour"]["made"] == most
    kinds = Counter((made.operation, made.item, made.program) for made in true.inside)
    assert {(k["operation"], k["item"], k["program"]): k["made"] for k in rates["kinds"]} == kinds


def _check_panels(panels: dict[str, Any], week: Truth) -> None:
    told = {(one["unit"].rsplit("/", 1)[1], one["panel"]): one for one in panels["passes"]}
    true = {
        (each.zone, each.panel): each
        for zone in ("1", "2")
        for each in week.records[f"{CELL}/{zone}"].passes_in(START_US, START_US + 7 * DAY_US)
    }
    assert told.keys() == true.keys()
    for key, each in true.items():
        assert round(told[key]["floor_to_floor_s"] * 1e6) == each.unload_ended_us - each.load_begun_us
        assert told[key]["outcome"] == each.outcome
        made = [m for m in week.records[f"{CELL}/{each.zone}"].made if m.panel == each.panel]
        assert sum(told[key]["fasteners"].values()) >= len(made) > 0 or each.outcome == "aborted"
    assert all(one["end"] <= other["end"] for one, other in pairwise(panels["passes"]))
