"""The messages tell the truth: folded by the rules of the contract they give what the machine recorded of itself."""

from collections.abc import Iterator
from typing import Any

import pytest

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth

HOUR_US = 3_600_000_000
START_US = 1_795_586_400_000_000
END_US = START_US + 8 * HOUR_US

_STATE = {"process": "running", "load": "changeover", "unload": "changeover", "setup": "changeover"}


class Fold:
    """What holds in one zone after the messages so far; the plainest reading that does, for complete messages only."""

    def __init__(self, zone: str) -> None:
        self.zone = zone
        self.activity: str | None = None
        self.wait: str | None = None
        self.stops: list[tuple[str | None, str]] = []

    def take(self, message: dict[str, Any]) -> None:
        if message["type"] == "snapshot" and message["seq"] == 0:
            self.activity, self.wait, self.stops = None, None, []
        elif message["type"] == "alarm" and message["severity"] == "stop":
            alarm = (message.get("zone"), message["code"])
            if alarm[0] in (None, self.zone):
                (self.stops.append if message["phase"] == "raise" else self.stops.remove)(alarm)
        elif message.get("zone") == self.zone and message["type"] == "activity":
            self.activity = message["activity"] if message["phase"] == "begin" else None
        elif message.get("zone") == self.zone and message["type"] == "wait":
            self.wait = message["for"] if message["phase"] == "begin" else None

    def standing(self) -> tuple[str, str]:
        if self.stops:
            return "fault", self.stops[0][1]
        if self.wait is not None:
            return "idle", self.wait
        return ("idle", "unexplained") if self.activity is None else (_STATE[self.activity], self.activity)


def _spans(sent: list[Outgoing], zone: str) -> Iterator[tuple[int, int, tuple[str, str]]]:
    """Yield what is known of a zone: nothing from the last word of a boot to the first of the next."""
    fold = Fold(zone)
    last = sent[0]
    for outgoing in sent:
        if outgoing.message["boot"] == last.message["boot"] and outgoing.due_us > last.due_us:
            yield last.due_us, outgoing.due_us, fold.standing()
        fold.take(outgoing.message)
        last = outgoing


def _simulated(misbehaviour: Misbehaviour, zones: int) -> tuple[list[Outgoing], Truth]:
    simulation = Simulation(demo_scenario(zones=zones, seed=11, misbehaviour=misbehaviour), START_US)
    return list(simulation.run(END_US)), simulation.truth


@pytest.mark.parametrize("zones", [1, 2, 3])
def test_an_undisturbed_shift_is_told_to_the_microsecond(zones: int) -> None:
    sent, truth = _simulated(Misbehaviour(), zones)
    for cell in truth.cells("harbour"):
        of_cell = [outgoing for outgoing in sent if outgoing.cell == cell]
        for zone in map(str, range(1, zones + 1)):
            told: dict[tuple[str, str], int] = {}
            for begun_us, ended_us, standing in _spans(of_cell, zone):
                told[standing] = told.get(standing, 0) + ended_us - begun_us
            assert told == truth.window(f"{cell}/{zone}", START_US, END_US).reason_us


def test_with_reboots_all_that_is_known_is_true() -> None:
    sent, truth = _simulated(Misbehaviour(reboots_per_hour=2.0), 2)
    for cell in truth.cells("harbour"):
        of_cell = [outgoing for outgoing in sent if outgoing.cell == cell]
        for zone in ("1", "2"):
            known_us = 0
            for begun_us, ended_us, standing in _spans(of_cell, zone):
                window = truth.window(f"{cell}/{zone}", begun_us, ended_us)
                assert window.reason_us == {standing: ended_us - begun_us}
                known_us += ended_us - begun_us
            assert 0.95 < known_us / (END_US - START_US) < 1
