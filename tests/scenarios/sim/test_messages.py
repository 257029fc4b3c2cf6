"""What simulated controllers send: the contract, its numbering, its snapshots, and the same again for the same seed."""

from collections import Counter
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour
from zoneledger_sim.simulation import Simulation, messages

from .contract import problems

HOUR_US = 3_600_000_000
START_US = 1_795_586_400_000_000
CELLS = ("harbour/wing-1/cell-1", "harbour/wing-1/cell-2")


def _at(message: dict[str, Any]) -> datetime:
    return datetime.fromisoformat(message["at"])


@pytest.fixture(scope="module")
def shift() -> list[Outgoing]:
    """Sixteen hours of the demo with reboots: every message in the order of sending."""
    scenario = demo_scenario(seed=3, misbehaviour=Misbehaviour(reboots_per_hour=0.2))
    return list(Simulation(scenario, START_US).run(START_US + 16 * HOUR_US))


def test_every_message_keeps_the_contract(shift: list[Outgoing]) -> None:
    assert [wrong for outgoing in shift if (wrong := problems(outgoing.message))] == []


def test_the_checker_finds_what_is_wrong() -> None:
    good: dict[str, Any] = {"v": 1, "boot": 5, "seq": 1, "at": "2026-11-25T06:00:00Z", "type": "wait"}
    good |= {"zone": "1", "phase": "begin", "for": "head"}
    assert problems(good) == []
    assert problems(good | {"seq": 0})
    assert problems(good | {"at": "2026-11-25T06:00:00"})
    assert problems(good | {"x": 1})
    assert problems(good | {"for": "tea"})
    assert problems(good | {"type": "tea"})
    assert problems(good | {"v": True})


def test_every_kind_of_message_reason_and_result_occurs(shift: list[Outgoing]) -> None:
    sent: list[dict[str, Any]] = [outgoing.message for outgoing in shift]
    assert {message["type"] for message in sent} == {
        "activity",
        "fastener",
        "alarm",
        "wait",
        "verdict",
        "snapshot",
    }
    assert {message["activity"] for message in sent if message["type"] == "activity"} == {
        "process",
        "load",
        "unload",
        "setup",
    }
    waits = {"panel", "operator", "head", "fasteners", "tool", "inspection", "upstream", "downstream", "other"}
    assert {message["for"] for message in sent if message["type"] == "wait"} == waits
    alarms = {(message["severity"], "zone" in message) for message in sent if message["type"] == "alarm"}
    assert alarms == {("stop", True), ("stop", False), ("notice", False)}
    for kind in ("fastener", "verdict"):
        assert {message["result"] for message in sent if message["type"] == kind} == {"good", "rework", "reject"}
    assert len({message["program"] for message in sent if "program" in message}) == 4
    assert {message["operation"] for message in sent if message["type"] == "fastener"} == {"drill", "fasten"}


def test_events_are_numbered_without_a_gap_and_a_snapshot_repeats_the_last_number(shift: list[Outgoing]) -> None:
    last: dict[str, tuple[int, int]] = {}
    boots: Counter[str] = Counter()
    for _, cell, message in shift:
        boot, seq = message["boot"], message["seq"]
        assert isinstance(boot, int)
        assert isinstance(seq, int)
        last_boot, last_seq = last.get(cell, (-1, 0))
        if boot != last_boot:
            assert boot > last_boot
            assert seq == 0
            assert message["type"] == "snapshot"
            boots[cell] += 1
        else:
            assert seq == last_seq + (message["type"] != "snapshot")
        last[cell] = boot, seq
    assert all(boots[cell] >= 2 for cell in CELLS)


def test_snapshots_come_at_the_start_and_the_end_and_every_ten_seconds(shift: list[Outgoing]) -> None:
    for cell in CELLS:
        sent = [outgoing for outgoing in shift if outgoing.cell == cell]
        snapshots = [outgoing for outgoing in sent if outgoing.message["type"] == "snapshot"]
        assert sent[0] is snapshots[0]
        assert snapshots[0].due_us == START_US
        assert sent[-1] is snapshots[-1]
        assert snapshots[-1].due_us == START_US + 16 * HOUR_US
        for earlier, later in pairwise(snapshots):
            same_boot = earlier.message["boot"] == later.message["boot"]
            assert later.due_us - earlier.due_us <= (10_000_000 if same_boot else 30_000_000)


def test_messages_are_sent_in_time_order_and_say_the_time(shift: list[Outgoing]) -> None:
    assert all(earlier.due_us <= later.due_us for earlier, later in pairwise(shift))
    epoch = datetime.fromisoformat("1970-01-01T00:00:00Z")
    assert all((_at(message) - epoch) // timedelta(microseconds=1) == due_us for due_us, _, message in shift)


def test_snapshots_tell_what_the_events_before_them_said(shift: list[Outgoing]) -> None:
    """A fold of the events, written for this test, agrees with each snapshot of the whole condition."""
    for cell in CELLS:
        zones: dict[str, dict[str, Any]] = {}
        alarms: list[dict[str, Any]] = []
        for message in [outgoing.message for outgoing in shift if outgoing.cell == cell]:
            if message["type"] == "snapshot" and message["seq"] == 0:
                zones, alarms = {"1": {"made": 0}, "2": {"made": 0}}, []
            elif message["type"] == "snapshot":
                assert (message["zones"], message["alarms"]) == (zones, alarms)
            else:
                _fold(zones, alarms, message)


def _fold(zones: dict[str, dict[str, Any]], alarms: list[dict[str, Any]], message: dict[str, Any]) -> None:
    zone = zones.get(message.get("zone", ""), {})
    match message["type"], message.get("phase"):
        case "activity", "begin":
            zone.update({name: message[name] for name in ("activity", "program", "panel")})
        case "activity", "end":
            assert message["activity"] == zone["activity"]
            for name in ("activity", "program", "panel"):
                del zone[name]
        case "wait", "begin":
            zone["wait"] = message["for"]
        case "wait", "end":
            assert zone.pop("wait") == message["for"]
        case "fastener", _:
            assert zone["activity"] == "process"
            assert zone["panel"] == message["panel"]
            zone["made"] += 1
        case "alarm", "raise":
            alarms.append({name: message[name] for name in ("zone", "code", "severity") if name in message})
        case "alarm", "clear":
            alarms.remove({name: message[name] for name in ("zone", "code", "severity") if name in message})


def test_the_same_seed_gives_the_same_messages_and_another_does_not() -> None:
    def sent(seed: int) -> list[tuple[str, dict[str, Any]]]:
        return list(messages(Simulation(demo_scenario(seed=seed), START_US), START_US + HOUR_US))

    assert sent(1) == sent(1)
    assert sent(1) != sent(2)


def test_a_simulation_goes_on_as_if_it_had_not_stopped() -> None:
    whole = Simulation(demo_scenario(), START_US)
    parted = Simulation(demo_scenario(), START_US)
    expected = [outgoing for outgoing in whole.run(START_US + 2 * HOUR_US) if outgoing.message["type"] != "snapshot"]
    first, second = parted.run(START_US + HOUR_US + 1), parted.run(START_US + 2 * HOUR_US)
    both = [outgoing for part in (first, second) for outgoing in part if outgoing.message["type"] != "snapshot"]
    assert both == expected
    assert whole.truth.records == parted.truth.records


@pytest.mark.parametrize(("cells", "zones"), [(1, 1), (3, 2), (1, 4)])
def test_any_number_of_cells_and_zones_works(cells: int, zones: int) -> None:
    simulation = Simulation(demo_scenario(cells=cells, zones=zones), START_US)
    sent = list(messages(simulation, START_US + 2 * HOUR_US))
    assert {cell for cell, _ in sent} == {f"harbour/wing-1/cell-{number}" for number in range(1, cells + 1)}
    assert all(problems(message) == [] for _, message in sent)
    for number in range(1, cells + 1):
        for zone in range(1, zones + 1):
            unit = f"harbour/wing-1/cell-{number}/{zone}"
            assert simulation.truth.window(unit, START_US, START_US + 2 * HOUR_US).made > 0
