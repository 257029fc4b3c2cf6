"""One simulated cell: its zones and head, the alarms that stop them, and the reboots of its controller."""

from collections.abc import Callable
from random import Random

from simpy import Environment

from zoneledger_sim.clock import Clock
from zoneledger_sim.condition import UNEXPLAINED, ActiveAlarm, CellCondition, ZoneCondition
from zoneledger_sim.controller import Controller, Outgoing
from zoneledger_sim.durations import HOUR_S, Exponential, to_us
from zoneledger_sim.equipment import Equipment, Wear, panels
from zoneledger_sim.head import Head
from zoneledger_sim.plan import AlarmPlan, CellPlan, Scenario
from zoneledger_sim.truth import Truth
from zoneledger_sim.worker import Steps
from zoneledger_sim.zone import Zone


class Cell:
    """The physical cell. While its controller is down nothing moves, and it is idle for no stated reason."""

    def __init__(
        self, env: Environment, scenario: Scenario, plan: CellPlan, truth: Truth, emit: Callable[[Outgoing], None]
    ) -> None:
        self._env = env
        self._scenario = scenario
        self._plan = plan
        names = tuple(sorted(plan.zones))
        self._condition = CellCondition({name: ZoneCondition(name) for name in names})
        self._cell_record = truth.add(scenario.path(plan.cell))
        self._zone_records = [truth.add(scenario.path(plan.cell, name)) for name in names]
        self._clock = Clock(plan.clock)
        self.controller = Controller(env, scenario.path(plan.cell), self._condition, emit, self._clock)
        self._head = Head(env, plan.zones, plan.transfer, self._rng("head"))
        equipment = Equipment(env, plan, self._head, Wear(plan.head_waits), panels(plan), self.controller, self._note)
        self.controller.start()
        self._note()
        self._zones = {
            name: Zone(equipment, self._condition.zones[name], record, self._rng(f"zone/{name}"))
            for name, record in zip(names, self._zone_records, strict=True)
        }
        self._start_chances()

    def _rng(self, purpose: str) -> Random:
        return self._scenario.rng(f"{self._plan.cell}/{purpose}")

    def _start_chances(self) -> None:
        env, misbehaviour = self._env, self._scenario.misbehaviour
        env.process(self._tell_snapshots())
        for alarm in self._plan.alarms:
            for zone in (None,) if alarm.whole_cell else self._plan.zones:
                env.process(self._alarms(ActiveAlarm(zone, alarm), self._rng(f"alarm/{alarm.code}/{zone}")))
        if misbehaviour.reboots_per_hour > 0:
            env.process(self._reboots(self._rng("reboots")))
        if misbehaviour.clock_steps_per_hour > 0:
            env.process(self._clock_steps(self._rng("clock")))

    def _note(self) -> None:
        """Record in the truth what holds now, and hold up or let go on what the stop alarms say."""
        now_us = int(self._env.now)
        condition, is_up = self._condition, self.controller.is_up
        standings = [condition.standing(zone) if is_up else UNEXPLAINED for zone in condition.zones.values()]
        for record, standing in zip(self._zone_records, standings, strict=True):
            record.change(now_us, standing)
        self._cell_record.change(now_us, condition.overlay(standings))

    def _apply_stops(self) -> None:
        is_down = not self.controller.is_up
        self._head.worker.stop(is_down or self._condition.stop_code(None) is not None)
        for name, zone in self._zones.items():
            zone.worker.stop(is_down or self._condition.stop_code(name) is not None)

    def _tell_snapshots(self) -> Steps:
        while True:
            yield self._env.timeout(to_us(self._scenario.snapshot_s))
            self.controller.snapshot()

    def _alarms(self, alarm: ActiveAlarm, rng: Random) -> Steps:
        plan: AlarmPlan = alarm.plan
        while True:
            yield self._env.timeout(plan.between.draw_us(rng))
            self._condition.alarms.append(alarm)
            self.controller.alarm_raised(alarm)
            self._note()
            self._apply_stops()
            yield self._env.timeout(plan.lasting.draw_us(rng))
            self._condition.alarms.remove(alarm)
            self.controller.alarm_cleared(alarm)
            self._note()
            self._apply_stops()

    def _reboots(self, rng: Random) -> Steps:
        misbehaviour = self._scenario.misbehaviour
        between = Exponential(HOUR_S / misbehaviour.reboots_per_hour)
        while True:
            yield self._env.timeout(between.draw_us(rng))
            self.controller.shut_down()
            self._note()
            self._apply_stops()
            yield self._env.timeout(misbehaviour.down.draw_us(rng))
            self.controller.start()
            self._note()
            self._apply_stops()

    def _clock_steps(self, rng: Random) -> Steps:
        misbehaviour = self._scenario.misbehaviour
        between = Exponential(HOUR_S / misbehaviour.clock_steps_per_hour)
        while True:
            yield self._env.timeout(between.draw_us(rng))
            limit_us = to_us(misbehaviour.clock_step_s)
            self._clock.step_us = rng.randint(-limit_us, limit_us)
