"""What a change would bring, told from the measured passes, against simulating the cell with the same change made."""

from collections.abc import Awaitable, Callable
from typing import Any

import httpx
import pytest

from tests.scenarios.truth import rfc3339
from zoneledger.clock import now_us
from zoneledger_sim.durations import Exponential, Fixed, Triangular
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plan import AlarmPlan, CellPlan, HeadWait, Moment, PanelWait, Program, Scenario, Step
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate
from zoneledger_sim.simulation import Simulation

START_US = 1_773_000_000_000_000
DAYS = 20
UNTIL_US = START_US + DAYS * 86_400_000_000
CELL = "harbour/wing-1/cell-1"
TWO, ONE = ("1", "2"), ("1",)

Get = Callable[..., Awaitable[dict[str, Any]]]


def _scenario(zones: tuple[str, ...], *, load: float = 1.0, fault: float = 1.0, wait: float = 1.0) -> Scenario:
    """Return an invented cell: loading times the head's, people and tools waited for, stops of a zone and of the whole cell."""
    program = Program("skin", (Step("fasten", 10, Triangular(110, 120, 160), standard_s=120.0),), manual=5)
    alarms = (
        AlarmPlan("clamp-force", "stop", Exponential(7200), Exponential(900 * fault)),
        AlarmPlan("guard-open", "stop", Exponential(14400), Exponential(300), whole_cell=True),
        AlarmPlan("coolant-low", "notice", Exponential(7200), Exponential(600), whole_cell=True),
    )
    plan = CellPlan(
        "cell-1",
        zones,
        (program,),
        Triangular(600 * load, 900 * load, 1500 * load),
        transfer=Fixed(60),
        abort_chance=0.02,
        panel_waits=(
            PanelWait("operator", Moment.BEFORE_LOAD, 0.5, Exponential(600 * wait)),
            PanelWait("inspection", Moment.BEFORE_UNLOAD, 0.2, Exponential(300)),
        ),
        head_waits=(HeadWait("tool", 100, Fixed(120)),),
        alarms=alarms,
    )
    return Scenario("harbour", "wing-1", (plan,), seed=3, snapshot_s=3600.0)


def _simulated(scenario: Scenario) -> float:
    """Return the passes an hour of a simulated cell, by its own truth."""
    simulation = Simulation(scenario, START_US)
    for _ in simulation.run(UNTIL_US):
        pass
    return simulation.truth.window(CELL, START_US, UNTIL_US).passes / (DAYS * 24)


@pytest.mark.parametrize("zones", [TWO, ONE], ids=["two zones", "one zone"])
async def test_a_change_brings_what_simulating_it_brings(
    api: httpx.AsyncClient, get: Get, zones: tuple[str, ...]
) -> None:
    scenario = _scenario(zones)
    assert (await api.put("/v1/plant", json=plant_document(scenario))).status_code == 200
    sender = HttpSender(api)
    await simulate(scenario, start_us=START_US, until_us=UNTIL_US, sender=sender, now_us=now_us, array=1000)
    told = await get(f"/v1/prospects/{CELL}", start=rfc3339(START_US), end=rfc3339(UNTIL_US))
    present = _simulated(scenario)
    assert told["measured"]["passes_per_hour"] == pytest.approx(present, rel=1e-9)
    assert abs(told["modelled"]["off"]) < 0.01
    assert {one["code"] for one in told["warnings"]} <= {"restated"}, "all was sent after the window was over"
    rates = {(each["kind"], each["reason"]): each["passes_per_hour"] for each in told["prospects"]}
    changed = {
        ("loading", None): _simulated(_scenario(zones, load=0.5)),
        ("fault", "clamp-force"): _simulated(_scenario(zones, fault=0.5)),
        ("wait", "operator"): _simulated(_scenario(zones, wait=0.5)),
    }
    for change, rate in changed.items():
        assert rates[change] == pytest.approx(rate, rel=0.02), change
        assert rate > 1.03 * present, "a change that would not be seen proves nothing"


async def test_of_three_zones_the_model_has_the_measured_rate(api: httpx.AsyncClient, get: Get) -> None:
    scenario = _scenario(("1", "2", "3"), load=2.5)
    assert (await api.put("/v1/plant", json=plant_document(scenario))).status_code == 200
    sender, until_us = HttpSender(api), START_US + 5 * 86_400_000_000
    await simulate(scenario, start_us=START_US, until_us=until_us, sender=sender, now_us=now_us, array=1000)
    told = await get(f"/v1/prospects/{CELL}", start=rfc3339(START_US), end=rfc3339(until_us))
    assert told["inputs"]["zones"] == 3
    assert abs(told["modelled"]["off"]) < 0.02
