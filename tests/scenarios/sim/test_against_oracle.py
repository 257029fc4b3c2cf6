"""The oracle of the ledger's rules, given a simulated line's messages, finds what the machine recorded of itself.

The line is invented and hurried, so that a quarter of an hour, which the slow oracle can take, holds all that happens.
"""

from collections import Counter
from dataclasses import replace
from random import Random

import pytest

from tests.oracle import ledger as oracle
from zoneledger_sim.controller import Message, Outgoing
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.disturb import disturb
from zoneledger_sim.durations import Exponential, Fixed, Triangular
from zoneledger_sim.plan import (
    AlarmPlan,
    CellPlan,
    HeadWait,
    Inspection,
    Misbehaviour,
    Moment,
    PanelWait,
    Program,
    Scenario,
    Step,
)
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth

START_US = 1_795_586_400_000_000
END_US = START_US + 900_000_000

_PROGRAMS = tuple(
    Program(name, (Step("fasten", 6, Triangular(3, 5, 9), item="lb-6", rework=0.2, reject=0.1),))
    for name in ("skin-left", "skin-right")
)
_HURRIED = CellPlan(
    cell="cell-1",
    zones=("1", "2"),
    programs=_PROGRAMS,
    load=Triangular(20, 30, 50),
    transfer=Fixed(3),
    setup=Triangular(5, 10, 20),
    batch=2,
    abort_chance=0.1,
    panel_waits=tuple(
        PanelWait(reason, moment, 0.3, Exponential(15))
        for reason, moment in (
            ("inspection", Moment.BEFORE_UNLOAD),
            ("operator", Moment.BEFORE_LOAD),
            (None, Moment.BEFORE_PROCESS),
        )
    ),
    head_waits=(HeadWait("tool", 11, Fixed(15)), HeadWait("fasteners", 17, Fixed(10), item="lb-6")),
    alarms=(
        AlarmPlan("clamp-force", "stop", Exponential(90), Exponential(20)),
        AlarmPlan("guard-open", "stop", Exponential(120), Exponential(15), whole_cell=True),
        AlarmPlan("coolant-low", "notice", Exponential(100), Exponential(60)),
    ),
    inspection=Inspection(Exponential(60), share=0.3, rework=0.3, reject=0.3, mended=0.5),
)


class Quarter:
    """A quarter of an hour of the hurried line: what arrived from each cell, and the truth."""

    def __init__(self, seed: int, misbehaviour: Misbehaviour | None = None) -> None:
        cells = (_HURRIED, replace(_HURRIED, cell="cell-2", zones=("1", "2", "3")))
        scenario: Scenario = replace(demo_scenario(seed=seed, misbehaviour=misbehaviour), cells=cells)
        simulation = Simulation(scenario, START_US)
        lost: list[Outgoing] = []
        arrived = disturb(simulation.run(END_US), scenario.misbehaviour, Random(seed), lost.append)
        self.messages: dict[str, list[Message]] = {}
        for outgoing in arrived:
            self.messages.setdefault(outgoing.cell, []).append(outgoing.message)
        self.lost = lost
        self.truth: Truth = simulation.truth


def _inside(pieces: list[oracle.Piece]) -> list[oracle.Piece]:
    """Cut off what reaches beyond the simulated time, as evidence does by 30 s."""
    return [replace(piece, end_us=min(piece.end_us, END_US)) for piece in pieces if piece.start_us < END_US]


def _reasons(pieces: list[oracle.Piece]) -> dict[tuple[str, str], int]:
    total: Counter[tuple[str, str]] = Counter()
    for piece in _inside(pieces):
        total[piece.state, piece.reason] += piece.end_us - piece.start_us
    return dict(total)


def _given_away(lost: list[Outgoing], cell: str, arrived: list[Message]) -> set[tuple[int, int]]:
    """Return (boot, seq) of the cell's lost events without the last ones of a boot, which no later message betrays."""
    highest = {message["boot"]: message["seq"] for message in arrived}
    events = [each.message for each in lost if each.cell == cell and each.message["type"] != "snapshot"]
    return {(event["boot"], event["seq"]) for event in events if event["seq"] <= highest[event["boot"]]}


@pytest.mark.parametrize(
    "misbehaviour",
    [Misbehaviour(), Misbehaviour(duplicate=0.1, reorder=0.3, late=0.1)],
    ids=["undisturbed", "doubled-and-shuffled"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_times_and_counts_are_the_truth_to_the_microsecond(misbehaviour: Misbehaviour, seed: int) -> None:
    quarter = Quarter(seed, misbehaviour)
    for cell, arrived in quarter.messages.items():
        derived = oracle.derive(arrived)
        units = {cell: derived.cell, **{f"{cell}/{zone}": pieces for zone, pieces in derived.zones.items()}}
        for unit, pieces in units.items():
            assert _reasons(pieces) == quarter.truth.window(unit, START_US, END_US).reason_us
        account = quarter.truth.window(cell, START_US, END_US)
        assert Counter(made.first_result for made in derived.fasteners) == Counter(account.first)
        assert Counter(made.result for made in derived.fasteners) == Counter(account.final)
        assert account.first != account.final
        assert not derived.gaps


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_with_losses_and_reboots_all_that_the_oracle_knows_is_true(seed: int) -> None:
    quarter = Quarter(seed, Misbehaviour(lose=0.03, reboots_per_hour=12.0))
    for cell, arrived in quarter.messages.items():
        derived = oracle.derive(arrived)
        missing = {(boot, seq) for boot, first, last in derived.gaps for seq in range(first, last + 1)}
        assert missing == _given_away(quarter.lost, cell, arrived) != set()
        for zone, pieces in derived.zones.items():
            for piece in _inside(pieces):
                known = quarter.truth.window(f"{cell}/{zone}", piece.start_us, piece.end_us)
                assert known.reason_us == {(piece.state, piece.reason): piece.end_us - piece.start_us}
            assert 0.5 < sum(_reasons(pieces).values()) / (END_US - START_US) < 1.0
