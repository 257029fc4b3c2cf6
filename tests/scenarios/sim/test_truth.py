"""The simulator's truth: it accounts for every microsecond and every fastener, and stops stop what they name."""

from collections import Counter, defaultdict
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger_sim.condition import ActiveAlarm, Activity, CellCondition, Panel, ZoneCondition
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.durations import Fixed
from zoneledger_sim.plan import AlarmPlan, CellPlan, HeadWait, Inspection, Misbehaviour, Program, Scenario, Step
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth

S_US = 1_000_000
HOUR_US = 3600 * S_US
START_US = 1_795_586_400_000_000
END_US = START_US + 8 * HOUR_US
LINE = "harbour/wing-1"


class Shift:
    """A simulated shift: its truth and what was sent."""

    def __init__(self, misbehaviour: Misbehaviour) -> None:
        simulation = Simulation(demo_scenario(seed=5, misbehaviour=misbehaviour), START_US)
        self.sent: list[tuple[str, dict[str, Any]]] = [(each.cell, each.message) for each in simulation.run(END_US)]
        self.truth = simulation.truth


@pytest.fixture(scope="module", params=[0.0, 0.5], ids=["steady", "rebooting"])
def shift(request: pytest.FixtureRequest) -> Shift:
    return Shift(Misbehaviour(reboots_per_hour=request.param))


@given(data=st.data())
def test_states_and_reasons_partition_any_window(shift: Shift, data: st.DataObject) -> None:
    start_us = data.draw(st.integers(START_US, END_US))
    end_us = data.draw(st.integers(start_us, END_US))
    for unit in shift.truth.records:
        account = shift.truth.window(unit, start_us, end_us)
        assert sum(account.time_us.values()) == end_us - start_us
        assert sum(account.reason_us.values()) == end_us - start_us


@given(data=st.data())
def test_windows_that_meet_add_up(shift: Shift, data: st.DataObject) -> None:
    start_us, middle_us, end_us = sorted(data.draw(st.integers(START_US, END_US)) for _ in range(3))
    for unit in shift.truth.records:
        first, second = shift.truth.window(unit, start_us, middle_us), shift.truth.window(unit, middle_us, end_us)
        assert first + second == shift.truth.window(unit, start_us, end_us)


def test_the_time_inside_a_pass_sums_to_it(shift: Shift) -> None:
    records = [record for record in shift.truth.records.values() if record.passes]
    assert len(records) == 4
    for record in records:
        for one in record.passes:
            spent = record.time_in(one)
            assert sum(spent.values()) == one.unload_ended_us - one.load_begun_us
            assert spent.keys() >= {("changeover", "load"), ("running", "process"), ("changeover", "unload")}


def test_a_line_is_the_sum_of_its_cells_and_a_cell_counts_its_zones(shift: Shift) -> None:
    line = shift.truth.window(LINE, START_US, END_US)
    cells = [shift.truth.window(cell, START_US, END_US) for cell in shift.truth.cells(LINE)]
    assert line.time_us == {state: sum(cell.time_us[state] for cell in cells) for state in line.time_us}
    assert (line.made, line.passes) == (sum(cell.made for cell in cells), sum(cell.passes for cell in cells))
    zones = [shift.truth.window(f"{LINE}/cell-1/{zone}", START_US, END_US) for zone in ("1", "2")]
    assert cells[0].made == sum(zone.made for zone in zones) > 1000


def test_counts_are_those_of_the_fasteners_and_verdicts_that_were_sent(shift: Shift) -> None:
    for cell in shift.truth.cells(LINE):
        first: dict[tuple[str, str], str] = {}
        final: dict[tuple[str, str], str] = {}
        for message in (message for sender, message in shift.sent if sender == cell):
            if message["type"] == "fastener":
                first[message["panel"], message["position"]] = message["result"]
            if message["type"] in ("fastener", "verdict"):
                final[message["panel"], message["position"]] = message["result"]
        account = shift.truth.window(cell, START_US, END_US)
        assert Counter(account.first) == Counter(first.values())
        assert Counter(account.final) == Counter(final.values())
        assert first != final


def test_a_cell_runs_while_the_head_is_in_any_zone_and_in_one_only(shift: Shift) -> None:
    for cell in shift.truth.cells(LINE):
        running = [shift.truth.window(f"{cell}/{zone}", START_US, END_US).time_us["running"] for zone in ("1", "2")]
        assert shift.truth.window(cell, START_US, END_US).time_us["running"] == sum(running)


def test_passes_match_the_activities_that_were_sent(shift: Shift) -> None:
    unloaded: dict[str, list[str]] = defaultdict(list)
    for cell, message in shift.sent:
        if message["type"] == "activity" and message["activity"] == "process" and message["phase"] == "end":
            unloaded[f"{cell}/{message['zone']}"].append(message["outcome"])
    for unit, outcomes in unloaded.items():
        passes = shift.truth.records[unit].passes
        assert [each.outcome for each in passes] == outcomes[: len(passes)]
        assert len(outcomes) - len(passes) in (0, 1)
        assert all(each.load_begun_us < each.unload_ended_us for each in passes)


def test_windows_beyond_the_simulation_and_unknown_units_are_refused(shift: Shift) -> None:
    with pytest.raises(ValueError, match="the truth covers"):
        shift.truth.window(LINE, START_US, END_US + 1)
    with pytest.raises(KeyError):
        shift.truth.window("harbour/wing-2", START_US, END_US)


STOP = AlarmPlan("spindle", "stop", Fixed(100), Fixed(50))


def _one_zone(**changes: Any) -> Truth:
    """One zone: 40 s of loading, then 10 fasteners of 10 s, for 1000 s."""
    program = Program("skin", (Step("fasten", 10, Fixed(10), item="lb-6"),))
    plan = CellPlan("cell-1", ("1",), (program,), Fixed(40), unload_share=0.5, **changes)
    simulation = Simulation(Scenario("harbour", "wing-1", (plan,)), START_US)
    for _ in simulation.run(START_US + 1000 * S_US):
        pass
    return simulation.truth


def _spans_s(truth: Truth, count: int) -> list[tuple[int, int, str, str]]:
    spans = list(truth.records[f"{LINE}/cell-1/1"].spans(START_US, truth.until_us))[:count]
    return [((begun - START_US) // S_US, (ended - START_US) // S_US, *standing) for begun, ended, standing in spans]


def test_a_stop_alarm_holds_up_the_work_and_nothing_of_it_is_lost() -> None:
    truth = _one_zone(alarms=(STOP,))
    assert _spans_s(truth, 6) == [
        (0, 20, "changeover", "load"),
        (20, 100, "running", "process"),
        (100, 150, "fault", "spindle"),
        (150, 170, "running", "process"),
        (170, 190, "changeover", "unload"),
        (190, 210, "changeover", "load"),
    ]
    assert truth.records[f"{LINE}/cell-1/1"].made[9].at_us == START_US + 170 * S_US


def test_a_notice_stops_nothing() -> None:
    notice = AlarmPlan("coolant", "notice", Fixed(100), Fixed(50))
    assert _one_zone(alarms=(notice,)).records == _one_zone().records


def test_a_feeder_is_refilled_before_the_fastener_that_it_lacks() -> None:
    truth = _one_zone(head_waits=(HeadWait("fasteners", 4, Fixed(30), item="lb-6"),))
    assert _spans_s(truth, 6) == [
        (0, 20, "changeover", "load"),
        (20, 60, "running", "process"),
        (60, 90, "idle", "fasteners"),
        (90, 130, "running", "process"),
        (130, 160, "idle", "fasteners"),
        (160, 180, "running", "process"),
    ]


def test_verdicts_come_later_and_change_the_shift_that_made_the_fastener() -> None:
    truth = _one_zone(inspection=Inspection(Fixed(300), share=1.0, reject=1.0))
    inspected = truth.window(LINE, START_US, START_US + 500 * S_US)
    assert inspected.first["good"] == inspected.final["reject"] == inspected.made == 35
    assert truth.window(LINE, START_US + 860 * S_US, START_US + 1000 * S_US).final["reject"] == 0


def _condition() -> tuple[CellCondition, ZoneCondition]:
    zone = ZoneCondition("1", Activity("process", Panel("p", Program("skin", (Step("drill", 1, Fixed(1)),)))))
    return CellCondition({"1": zone, "2": ZoneCondition("2")}), zone


def test_the_first_raised_stop_is_the_reason_and_beats_a_wait_which_beats_an_activity() -> None:
    cell, zone = _condition()
    assert cell.standing(zone) == ("running", "process")
    zone.wait = "tool"
    assert cell.standing(zone) == ("idle", "tool")
    cell.alarms += [
        ActiveAlarm("2", AlarmPlan("a", "stop", Fixed(1), Fixed(1))),
        ActiveAlarm("1", AlarmPlan("b", "notice", Fixed(1), Fixed(1))),
        ActiveAlarm(None, AlarmPlan("c", "stop", Fixed(1), Fixed(1), whole_cell=True)),
        ActiveAlarm("1", AlarmPlan("d", "stop", Fixed(1), Fixed(1))),
    ]
    assert cell.standing(zone) == ("fault", "c")
    assert cell.standing(cell.zones["2"]) == ("fault", "a")


def test_a_cell_runs_if_any_zone_does_else_fault_changeover_idle() -> None:
    cell, _ = _condition()
    cell.alarms += [ActiveAlarm("2", AlarmPlan(code, "stop", Fixed(1), Fixed(1))) for code in ("x", "y")]
    order = [("running", "process"), ("fault", "x"), ("changeover", "load"), ("idle", "head")]
    for rank, standing in enumerate(order):
        assert cell.overlay(order[rank:][::-1]) == standing


def test_a_cells_fault_is_the_first_raised_of_its_zones_stops() -> None:
    cell, _ = _condition()
    cell.alarms += [ActiveAlarm(zone, AlarmPlan(f"stop-{zone}", "stop", Fixed(1), Fixed(1))) for zone in ("2", "1")]
    assert cell.overlay([cell.standing(zone) for zone in cell.zones.values()]) == ("fault", "stop-2")
