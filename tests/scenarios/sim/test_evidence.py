"""When a cell can be known, by the messages that are stored: the checker's reading of it is the oracle's."""

from dataclasses import replace
from random import Random

import pytest

from tests.oracle import ledger as oracle
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.evidence import Evidence
from zoneledger_sim.missing import Run, unite, without
from zoneledger_sim.plan import Misbehaviour
from zoneledger_sim.simulation import Simulation

START_US = 1_795_586_400_000_000
END_US = START_US + 900_000_000
BOOT = START_US // 1_000_000


def _at(second: float) -> int:
    return START_US + round(second * 1_000_000)


def _evidence(*places: tuple[int, str, float], boot: int = BOOT) -> Evidence:
    evidence = Evidence()
    for seq, kind, second in places:
        evidence.take({"boot": boot, "seq": seq, "type": kind}, _at(second))
    return evidence


def _unknown(evidence: Evidence, end: float = 100) -> list[tuple[float, float]]:
    return [((a - START_US) / 1e6, (b - START_US) / 1e6) for a, b in evidence.unknown((START_US, _at(end)))]


def test_numbers_without_a_gap_and_snapshots_leave_nothing_unknown() -> None:
    told = _evidence((0, "snapshot", 0), (1, "wait", 10), (1, "snapshot", 20), (2, "wait", 100))
    assert _unknown(told) == []


def test_a_cell_is_unknown_until_its_first_snapshot() -> None:
    assert _unknown(_evidence((3, "wait", 5), (4, "wait", 50), (4, "snapshot", 60), (4, "snapshot", 100))) == [(0, 60)]


def test_a_gap_is_unknown_from_the_message_before_it_to_the_next_snapshot() -> None:
    told = _evidence(
        (0, "snapshot", 0), (1, "wait", 10), (3, "wait", 30), (4, "wait", 35), (4, "snapshot", 40), (4, "snapshot", 100)
    )
    assert _unknown(told) == [(10, 40)]


def test_a_snapshot_that_tells_of_a_later_event_than_the_last_ends_the_time_that_it_shows_to_be_unknown() -> None:
    assert _unknown(_evidence((0, "snapshot", 0), (2, "snapshot", 30), (2, "snapshot", 100))) == [(0, 30)]


def test_a_gap_without_a_snapshot_after_it_is_unknown_to_the_end() -> None:
    assert _unknown(_evidence((0, "snapshot", 0), (1, "wait", 10), (3, "wait", 30))) == [(10, 100)]


def test_what_lies_beside_the_window_is_left_out() -> None:
    told = _evidence((0, "snapshot", 0), (2, "snapshot", 30), (4, "snapshot", 60), (4, "snapshot", 100))
    assert told.unknown((_at(10), _at(50))) == [(_at(10), _at(50))]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_a_disturbed_quarter_of_an_hour_it_is_what_the_oracle_says(seed: int) -> None:
    scenario = demo_scenario(cells=1, seed=seed, misbehaviour=Misbehaviour(reboots_per_hour=12.0))
    rng = Random(seed)
    sent = Simulation(replace(scenario, shifts=()), START_US).run(END_US)
    stored = [one for one in sent if rng.random() > 0.1]
    evidence = Evidence()
    for one in rng.sample(stored, len(stored)) + stored[:20]:
        evidence.take(one.message, one.due_us)
    window = START_US, stored[-1].due_us
    derived = oracle.derive([one.message for one in stored])
    for pieces in derived.zones.values():
        known: list[Run] = [
            (piece.start_us, min(piece.end_us, window[1])) for piece in pieces if piece.start_us < window[1]
        ]
        unknown = evidence.unknown(window)
        assert without([window], unite(known)) == unknown
        assert unknown
