"""Misbehaviour: each kind does what it says, and none happens unasked."""

from collections import Counter
from datetime import datetime
from random import Random
from typing import Any

import pytest

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.disturb import disturb
from zoneledger_sim.plan import Misbehaviour
from zoneledger_sim.simulation import Simulation

HOUR_US = 3_600_000_000
START_US = 1_795_586_400_000_000
CELL = "harbour/wing-1/cell-1"


@pytest.fixture(scope="module")
def stream() -> list[Outgoing]:
    return list(Simulation(demo_scenario(cells=1), START_US).run(START_US + 4 * HOUR_US))


def _disturbed(stream: list[Outgoing], **ratios: float) -> tuple[list[Outgoing], list[Outgoing]]:
    lost: list[Outgoing] = []
    return list(disturb(iter(stream), Misbehaviour(**ratios), Random(1), lost.append)), lost  # type: ignore[arg-type]


def _contents(stream: list[Outgoing]) -> Counter[str]:
    return Counter(repr(outgoing.message) for outgoing in stream)


def test_nothing_goes_wrong_unasked(stream: list[Outgoing]) -> None:
    assert _disturbed(stream) == (stream, [])


def test_lost_messages_are_told_and_the_rest_arrives(stream: list[Outgoing]) -> None:
    arrived, lost = _disturbed(stream, lose=0.05)
    assert _contents(arrived) + _contents(lost) == _contents(stream)
    assert len(lost) == pytest.approx(0.05 * len(stream), rel=0.3)


def test_duplicates_have_the_same_content(stream: list[Outgoing]) -> None:
    arrived, lost = _disturbed(stream, duplicate=0.05)
    again = _contents(arrived) - _contents(stream)
    assert not lost
    assert set(again) <= set(_contents(stream))
    assert again.total() == len(arrived) - len(stream) == pytest.approx(0.05 * len(stream), rel=0.3)


def test_reordered_messages_all_arrive_within_their_time(stream: list[Outgoing]) -> None:
    arrived, lost = _disturbed(stream, reorder=0.2)
    assert not lost
    assert _contents(arrived) == _contents(stream)
    assert arrived != stream
    sent_us = {repr(outgoing.message): outgoing.due_us for outgoing in stream}
    delays_us = [outgoing.due_us - sent_us[repr(outgoing.message)] for outgoing in arrived]
    assert min(delays_us) == 0
    assert 25_000_000 < max(delays_us) <= 30_000_000


def test_late_messages_arrive_long_after_their_successors(stream: list[Outgoing]) -> None:
    arrived, lost = _disturbed(stream, late=0.02, late_s=3600.0)
    assert not lost
    assert _contents(arrived) == _contents(stream)
    places = {repr(outgoing.message): place for place, outgoing in enumerate(arrived)}
    kept_back = [place - places[repr(outgoing.message)] for place, outgoing in enumerate(stream)]
    assert min(kept_back) < -500


def test_disturbance_is_seeded(stream: list[Outgoing]) -> None:
    ratios = {"lose": 0.05, "duplicate": 0.05, "reorder": 0.05, "late": 0.05}
    assert _disturbed(stream, **ratios) == _disturbed(stream, **ratios)


def _simulated(misbehaviour: Misbehaviour) -> tuple[Simulation, list[dict[str, Any]], list[int]]:
    simulation = Simulation(demo_scenario(cells=1, misbehaviour=misbehaviour), START_US)
    sent = list(simulation.run(START_US + 8 * HOUR_US))
    return simulation, [each.message for each in sent], [each.due_us for each in sent]


def test_a_reboot_ends_everything_and_then_it_begins_again() -> None:
    simulation, sent, due_us = _simulated(Misbehaviour(reboots_per_hour=2.0))
    starts = [index for index, message in enumerate(sent) if message["seq"] == 0 and message["type"] == "snapshot"]
    assert len(starts) > 8
    for start in starts[1:]:
        down_us = due_us[start] - 20_000_000
        assert due_us[start - 1] <= down_us
        for unit in (CELL, f"{CELL}/1", f"{CELL}/2"):
            account = simulation.truth.window(unit, down_us, due_us[start])
            assert account.reason_us == {("idle", "unexplained"): 20_000_000}
        assert sent[start]["zones"] == {"1": {"made": 0}, "2": {"made": 0}}
        assert sent[start]["alarms"] == []
        assert sent[start - 1]["boot"] < sent[start]["boot"] == due_us[start] // 1_000_000
    again = [
        message for start in starts[1:] for message in sent[start + 1 : start + 6] if message["type"] == "activity"
    ]
    assert any(message["activity"] == "process" and message["phase"] == "begin" for message in again)


def test_clock_steps_go_both_ways_and_leave_the_truth_alone() -> None:
    simulation, sent, due_us = _simulated(Misbehaviour(clock_steps_per_hour=4.0, clock_step_s=90.0))
    offsets_s = {
        datetime.fromisoformat(message["at"]).timestamp() - at_us / 1e6
        for message, at_us in zip(sent, due_us, strict=True)
    }
    assert -90.001 < min(offsets_s) < -1
    assert 1 < max(offsets_s) < 90.001
    undisturbed, plain, _ = _simulated(Misbehaviour())
    assert simulation.truth.records == undisturbed.truth.records
    assert [message | {"at": ""} for message in sent] == [message | {"at": ""} for message in plain]
