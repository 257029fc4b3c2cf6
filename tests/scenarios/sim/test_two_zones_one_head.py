"""The simulated machine against the outside figures for two zones that share one head (checks.md).

Cycle = max(2(Th+Tr), Th+Tl): derived from the worker-and-machines cluster in Groover, Automation, Production Systems
and CIM [formula from memory, arithmetic recomputed]. Machine interference with two sources and exponential times:
head busy 1 - 1/(1 + 2r + 2r^2) with r = Th/Tl [textbook queueing, recomputed].
"""

from itertools import pairwise

import pytest

from zoneledger_sim.durations import Duration, Exponential, Fixed
from zoneledger_sim.plan import CellPlan, Program, Scenario, Step
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth

MINUTE_US = 60_000_000
START_US = 1_795_586_400_000_000
CELL = "harbour/wing-1/cell-1"


def _truth(
    *,
    zones: tuple[str, ...],
    head: Duration,
    fasteners: int,
    load: Duration,
    transfer: Duration,
    minutes: int,
    snapshot_s: float = 10.0,
) -> Truth:
    program = Program("skin", (Step("fasten", fasteners, head),))
    plan = CellPlan("cell-1", zones, (program,), load, transfer=transfer)
    simulation = Simulation(Scenario("harbour", "wing-1", (plan,), seed=7, snapshot_s=snapshot_s), START_US)
    for _ in simulation.run(START_US + minutes * MINUTE_US):
        pass
    return simulation.truth


def _minutes(time_us: int) -> float:
    return time_us / MINUTE_US


@pytest.mark.parametrize(
    ("load_min", "cycle_min", "head_busy", "process", "loading", "waiting"),
    [
        (30, 84, 0.952381, 0.476190, 0.357143, 0.166667),
        (60, 100, 0.80, 0.40, 0.60, 0.0),
    ],
)
def test_two_zones_settle_at_the_published_cycle(
    load_min: int, cycle_min: int, head_busy: float, process: float, loading: float, waiting: float
) -> None:
    truth = _truth(
        zones=("1", "2"),
        head=Fixed(8.0),
        fasteners=300,
        load=Fixed(load_min * 60),
        transfer=Fixed(120),
        minutes=14 * cycle_min,
    )
    start_us, end_us = START_US + 4 * cycle_min * MINUTE_US, START_US + 14 * cycle_min * MINUTE_US
    cell = truth.window(CELL, start_us, end_us)
    assert cell.made == 2 * 10 * 300
    assert cell.passes == 2 * 10
    assert cell.time_us["running"] / (end_us - start_us) == pytest.approx(head_busy, abs=5e-7)
    for zone in ("1", "2"):
        account = truth.window(f"{CELL}/{zone}", start_us, end_us)
        assert account.time_us["running"] / (end_us - start_us) == pytest.approx(process, abs=5e-7)
        assert account.time_us["changeover"] / (end_us - start_us) == pytest.approx(loading, abs=5e-7)
        assert account.reason_us.get(("idle", "head"), 0) / (end_us - start_us) == pytest.approx(waiting, abs=5e-7)
        assert account.time_us["idle"] == account.reason_us.get(("idle", "head"), 0)
    ends_us = [each.unload_ended_us for each in truth.records[f"{CELL}/1"].passes if each.unload_ended_us >= start_us]
    assert {_minutes(later - earlier) for earlier, later in pairwise(ends_us)} == {cycle_min}


def test_one_zone_alternates_head_and_load() -> None:
    truth = _truth(zones=("1",), head=Fixed(8.0), fasteners=300, load=Fixed(1800), transfer=Fixed(120), minutes=1400)
    account = truth.window(f"{CELL}/1", START_US + 140 * MINUTE_US, START_US + 840 * MINUTE_US)
    assert {state: _minutes(time_us) for state, time_us in account.time_us.items()} == {
        "running": 400,
        "changeover": 300,
        "idle": 0,
        "fault": 0,
    }
    assert account.passes == 10


@pytest.mark.parametrize(("ratio", "head_busy"), [(1.0, 0.80), (0.5, 0.60), (2.0, 0.923077)])
def test_exponential_times_give_the_interference_of_two_machines(ratio: float, head_busy: float) -> None:
    cycles = 40_000
    truth = _truth(
        zones=("1", "2"),
        head=Exponential(60 * ratio),
        fasteners=1,
        load=Exponential(60),
        transfer=Fixed(0),
        minutes=cycles,
        snapshot_s=3600,
    )
    cell = truth.window(CELL, truth.start_us, truth.until_us)
    assert cell.time_us["running"] / (cycles * MINUTE_US) == pytest.approx(head_busy, rel=0.01)
