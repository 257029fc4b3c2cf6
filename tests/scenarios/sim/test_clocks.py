"""Controllers' clocks: what they tell is wrong as it was asked for, and the truth is not."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.fates import instant_us
from zoneledger_sim.plan import ClockPlan, Misbehaviour
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth

START_US = 1_792_864_800_000_000  # 2026-10-24T18:00:00Z
HOUR_US = 3_600_000_000


def _simulated(clock: ClockPlan, hours: float = 1.0, reboots_per_hour: float = 0.0) -> tuple[list[Outgoing], Truth]:
    scenario = demo_scenario(cells=1, misbehaviour=Misbehaviour(reboots_per_hour=reboots_per_hour))
    cells = tuple(replace(plan, clock=clock) for plan in scenario.cells)
    simulation = Simulation(replace(scenario, cells=cells), START_US)
    return list(simulation.run(START_US + round(hours * HOUR_US))), simulation.truth


@pytest.mark.parametrize("ahead_s", [0.0, 20.0, -90.0])
def test_a_clock_runs_ahead_or_behind_by_as_much_as_it_should(ahead_s: float) -> None:
    sent, truth = _simulated(ClockPlan(ahead_s=ahead_s))
    assert {instant_us(one.message["at"]) - one.due_us for one in sent} == {ahead_s * 1_000_000}
    assert truth.records == _simulated(ClockPlan())[1].records


def test_a_clock_that_was_not_set_reads_1970_for_a_while_after_each_start() -> None:
    sent, truth = _simulated(ClockPlan(unset_s=90.0), 4.0, reboots_per_hour=2.0)
    started_us, wrong = 0, 0
    for one in sent:
        if one.message["type"] == "snapshot" and one.message["seq"] == 0:
            started_us = one.due_us if one.message["boot"] == one.due_us // 1_000_000 else started_us
        running_us = one.due_us - started_us
        unset = running_us < 90_000_000
        wrong += unset
        assert instant_us(one.message["at"]) == (running_us if unset else one.due_us)
    assert 50 < wrong < len(sent) // 4
    assert truth.records == _simulated(ClockPlan(), 4.0, reboots_per_hour=2.0)[1].records


def test_local_time_is_told_with_the_offset_that_holds_then() -> None:
    sent, _ = _simulated(ClockPlan(timezone="Europe/Lisbon"), 9.0)
    summer = [one for one in sent if one.due_us < START_US + 7 * HOUR_US]
    winter = [one for one in sent if one.due_us >= START_US + 7 * HOUR_US]
    for told, hours in ((summer, 1), (winter, 0)):
        assert told
        assert {datetime.fromisoformat(one.message["at"]).utcoffset() for one in told} == {timedelta(hours=hours)}
    assert all(instant_us(one.message["at"]) == one.due_us for one in sent)
