"""Faults of controllers' clocks: they step, run ahead or behind, were never set, and tell local time over its changes."""

import random
import time
from collections import Counter
from dataclasses import replace

import httpx

from tests.faults.asking import acknowledged, listed, oracle_difference_s, wait_for_arrival, window
from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.sending import HOUR_US
from tests.faults.streams import Stream, hours
from tests.faults.table import fault
from tests.oracle.record import EARLIEST_US
from zoneledger.clock import now_us
from zoneledger_sim.condition import STATES
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.fates import instant_us
from zoneledger_sim.plan import CellPlan, ClockPlan, Misbehaviour
from zoneledger_sim.plant import plant_document
from zoneledger_sim.truth import Account


def _by_the_oracle(bench: Bench) -> Outcome:
    """Check what became of the messages; figures are held against the oracle, as the truth is not what the clocks told."""
    bench.over()
    outcome = bench.check()
    assert outcome.difference == 0, outcome
    return replace(outcome, difference=oracle_difference_s(bench, acknowledged(bench)))


@fault("stream", "clocks step both ways, by up to 2 minutes")
def _steps(bench: Bench) -> Outcome:
    stream = hours(bench, 0.6, misbehaviour=Misbehaviour(clock_steps_per_hour=12.0, clock_step_s=120.0))
    random.Random(bench.seed).shuffle(stream.messages)
    stream.send(stream.messages, array=50)
    outcome = _by_the_oracle(bench)
    found = Counter(row["kind"] for row in listed(bench, "discrepancies"))
    assert found["clock_back"] > 0, found
    assert found["clock_not_believed"] > 0, found
    return replace(outcome, note=f"by the oracle; {found['clock_not_believed']} not believed")


def _unset(plan: CellPlan) -> CellPlan:
    return replace(plan, clock=ClockPlan(unset_s=120.0))


@fault("stream", "clocks read 1970 for 2 minutes after each start")
def _never_set(bench: Bench) -> Outcome:
    """Nothing is booked before the first believed message; where a clock was wrong the time is unknown, elsewhere the truth."""
    stream = hours(bench, 0.7, _unset, misbehaviour=Misbehaviour(reboots_per_hour=4.0))
    stream.tell_truth()
    stream.send(stream.messages, array=50)
    outcome = _by_the_oracle(bench)
    assert any(row["kind"] == "clock_not_believed" for row in listed(bench, "discrepancies"))
    for cell in stream.cells:
        past = bench.service.get(f"/v1/kpi/{cell}", **window(EARLIEST_US, EARLIEST_US + 365 * 24 * HOUR_US))
        assert past["time_s"]["unknown"] == past["planned_s"], past
        assert past["fasteners"]["made"] == 0, past
    return replace(outcome, note="by the truth and the oracle")


@fault("stream", "clocks 3 s and 20 s ahead and 90 s behind")
def _skewed(bench: Bench) -> Outcome:
    """What is too far ahead of the service's clock is refused; all else is the truth, at the instants of each cell's clock."""
    bench.serve(cells=3)
    ahead_s = (3.0, 20.0, -90.0)
    plans = tuple(
        replace(plan, clock=ClockPlan(ahead_s=by)) for plan, by in zip(bench.sent.scenario.cells, ahead_s, strict=True)
    )
    begun_us = now_us()
    scenario = replace(bench.sent.scenario, cells=plans, snapshot_s=1.0)
    stream = Stream(bench, begun_us - HOUR_US, begun_us + 8_000_000, scenario)
    stream.tell_truth(dict(zip(stream.cells, ahead_s, strict=True)))
    stream.send_live(stream.messages)
    bench.over()
    time.sleep(ahead_s[0] + 1)  # the service tells nothing of what lies ahead of its clock
    outcome = bench.check()
    refused = list(listed(bench, "refused"))
    assert {(row["cell"], row["reason"]) for row in refused} == {(stream.cells[1], "ahead_of_clock")}
    assert len(refused) == outcome.refused
    late = [one for one in stream.messages if one.cell == stream.cells[1] and one.due_us >= begun_us]
    assert len(late) <= len(refused) < len(late) + 60, (len(late), len(refused))
    return outcome


def _local(plan: CellPlan) -> CellPlan:
    return replace(plan, clock=ClockPlan(timezone="Europe/Lisbon"))


def _over_a_change(bench: Bench, start: str, shift: str, length_s: float) -> Outcome:
    """Send 14 hours of local time with its offsets, and hold the night's figures against the truth."""
    bench.serve(cells=2)
    made = demo_scenario(cells=2, seed=bench.seed)
    made = replace(made, cells=tuple(map(_local, made.cells)), snapshot_s=20.0)
    httpx.put(f"{bench.service.url}/v1/plant", json=plant_document(made)).raise_for_status()
    start_us = instant_us(start)
    stream = Stream(bench, start_us, start_us + 14 * HOUR_US, made)
    offsets = {one.message["at"][-6:] for one in stream.messages}
    assert offsets == {"+00:00", "+01:00"}
    stream.tell_truth()
    random.Random(bench.seed).shuffle(stream.messages)
    stream.send(stream.messages)
    bench.over()
    wait_for_arrival(bench, len(stream.messages))
    for cell in stream.cells:
        kpi = bench.service.get(f"/v1/kpi/{cell}", shift=shift)
        (night,) = [
            one for one in bench.service.get(f"/v1/shifts/{cell}", shift=shift)["shifts"] if one["shift"] == shift
        ]
        (meal,) = night["stops"]
        true = _planned(stream, cell, *(instant_us(one[edge]) for one in (night, meal) for edge in ("start", "end")))
        assert kpi["planned_s"] == length_s - 1800
        assert kpi["time_s"] == {"unknown": 0.0} | {state: true.time_us[state] / 1e6 for state in STATES}
        assert {result: kpi["fasteners"][result] for result in true.final} == true.final
    return bench.check()


def _planned(stream: Stream, cell: str, start_us: int, end_us: int, stop_us: int, again_us: int) -> Account:
    """Return the truth of a shift with one stop."""
    return stream.truth.window(cell, start_us, stop_us) + stream.truth.window(cell, again_us, end_us)


@fault("stream", "local time at the end of summer: 9 hours of night")
def _autumn(bench: Bench) -> Outcome:
    return _over_a_change(bench, "2026-10-24T18:00:00Z", "2026-10-24/night", 9 * 3600)


@fault("stream", "local time at the begin of summer: 7 hours of night")
def _spring(bench: Bench) -> Outcome:
    return _over_a_change(bench, "2026-03-28T18:00:00Z", "2026-03-28/night", 7 * 3600)
