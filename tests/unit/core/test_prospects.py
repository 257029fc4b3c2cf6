"""The two-zone model replayed: published cycles, exponential times, and what a change does to it.

Cycle = max(2(Th+Tr), Th+Tl): derived from the worker-and-machines cluster in Groover, Automation, Production Systems and CIM
[formula from memory]. Exponential times, two zones, no transfer: head busy 1 - 1/(1 + 2r + 2r^2) with r = Th/Tl, two-source
machine interference [textbook queueing, recomputed].
"""

from collections.abc import Callable
from random import Random

import pytest

from zoneledger.core.demands import Demand, Parts
from zoneledger.core.prospects import CHANGEOVER_MASKED, FAULTS, LOADING, WAITS, Change, changes_of, means_of, replay

MINUTE_US = 60_000_000
LOAD, RUN = ("changeover", "load"), ("running", "process")
FAULT, WAIT = ("fault", "clamp-force"), ("idle", "operator")


def _demand(head: float, load: float, **more: Parts) -> Demand:
    before = {LOAD: round(load * MINUTE_US)} | more.get("before", {})
    return Demand(before, {RUN: round(head * MINUTE_US)} | more.get("within", {}), {})


def _zones(number: int, demand: Callable[[], Demand], passes: int = 3) -> dict[str, list[Demand]]:
    return {str(zone): [demand() for _ in range(passes)] for zone in range(number)}


@pytest.mark.parametrize(
    ("zones", "load", "cycle"),
    [(2, 30, 84), (2, 60, 100), (1, 30, 70), (1, 60, 100), (3, 30, 126), (3, 100, 140), (4, 200, 240)],
)
def test_times_that_do_not_vary_give_the_cycle_of_the_formula(zones: int, load: float, cycle: float) -> None:
    """Rows of two zones and of one: checks.md; three and four: own numbers in max(n (Th + Tr), Th + Tl)."""
    demands = _zones(zones, lambda: _demand(40, load))
    transfer_us = 2 * MINUTE_US
    means = means_of(demands, transfer_us)
    assert means is not None
    assert means.per_hour() == pytest.approx(zones * 60 / cycle)
    assert replay(demands, transfer_us) == pytest.approx(zones * 60 / cycle)


@pytest.mark.parametrize(("ratio", "head_busy"), [(1.0, 0.80), (0.5, 0.60), (2.0, 0.923077)])
def test_exponential_times_give_the_interference_of_two_machines(ratio: float, head_busy: float) -> None:
    rng = Random(7)
    demands = _zones(2, lambda: _demand(rng.expovariate(1.0) * ratio, rng.expovariate(1.0)), 20_000)
    means, rate = means_of(demands, 0.0), replay(demands, 0.0)
    assert means is not None
    assert rate is not None
    assert rate * means.head_us / 3_600_000_000 == pytest.approx(head_busy, rel=0.01)
    assert (means.per_hour() or 0) > rate * 1.05, "the plain formula knows no chance"


def test_a_change_is_about_its_own_times_only() -> None:
    parts = {LOAD: 100, ("changeover", "unload"): 60, ("changeover", "setup"): 40, WAIT: 20, RUN: 500}
    lengths = [
        Change().length_us(parts),
        Change(LOADING, None, 0.5).length_us(parts),
        Change("setup", None, 0.5).length_us(parts),
        Change(CHANGEOVER_MASKED, None, 0.0).length_us(parts),
        Change(WAITS, "operator", 0.5).length_us(parts),
        Change(WAITS, "tool", 0.5).length_us(parts),
        Change(FAULTS, "operator", 0.5).length_us(parts),
    ]
    assert lengths == [720, 640, 700, 520, 710, 720, 720]


def test_faults_strike_as_often_an_hour_whatever_is_done_meanwhile() -> None:
    parts = {LOAD: 100, FAULT: 30}
    assert Change(LOADING, None, 0.5).length_us(parts) == 65
    assert Change(FAULTS, "clamp-force", 0.5).length_us(parts) == 115
    assert Change(FAULTS, "clamp-force", 0.5).length_us({FAULT: 30}) == 15


def test_in_one_zone_a_faster_load_meets_fewer_faults() -> None:
    """Own numbers: Th 40, Tl 30 and 10 of faults in it: 80; halved: 40 + 15, and half of the faults, 5."""
    demands = _zones(1, lambda: _demand(40, 30, before={FAULT: 10 * MINUTE_US}), 500)
    assert replay(demands, 0.0) == pytest.approx(60 / 80)
    assert replay(demands, 0.0, Change(LOADING, None, 0.5)) == pytest.approx(60 / 60, rel=0.005)


def test_a_masked_wait_costs_nothing_and_an_unmasked_one_all() -> None:
    waits = {"before": {WAIT: 10 * MINUTE_US}}
    half = Change(WAITS, "operator", 0.5)
    masked, unmasked = (_zones(2, lambda load=load: _demand(40, load, **waits)) for load in (20, 60))  # type: ignore[misc]
    assert replay(masked, 2 * MINUTE_US, half) == pytest.approx(120 / 84)
    assert replay(unmasked, 2 * MINUTE_US) == pytest.approx(120 / 110)
    assert replay(unmasked, 2 * MINUTE_US, half) == pytest.approx(120 / 105)


def test_with_all_changeover_masked_the_head_never_waits_for_it() -> None:
    masked = Change(CHANGEOVER_MASKED, None, 0.0)
    assert replay(_zones(2, lambda: _demand(40, 90)), 2 * MINUTE_US, masked) == pytest.approx(60 / 42)
    assert replay(_zones(1, lambda: _demand(40, 90)), 0.0, masked) == pytest.approx(60 / 40)


def test_a_fault_that_meets_a_waiting_zone_holds_the_head_up_only_if_it_is_still_there() -> None:
    """Own numbers: without loading a zone waits 44 min for the head; a fault of 10 min lasts into its coming now and then."""
    demands = _zones(2, lambda: _demand(40, 40, before={FAULT: 10 * MINUTE_US}), 500)
    masked = replay(demands, 2 * MINUTE_US, Change(LOADING, None, 0.0))
    assert masked is not None
    assert 60 / 45 < masked < 60 / 42


def test_which_panels_of_two_zones_meet_is_chance_and_makes_no_difference() -> None:
    rng = Random(3)
    one, other = ([_demand(rng.uniform(10, 40), rng.uniform(5, 60)) for _ in range(11)] for _ in range(2))
    rates = [replay({"1": one, "2": [*other[k:], *other[:k]]}, MINUTE_US) for k in range(11)]
    assert rates == [pytest.approx(rates[0])] * 11


def test_passes_without_processing_take_time_and_no_head() -> None:
    demands = {"1": [_demand(40, 20), Demand({LOAD: 30 * MINUTE_US}, {}, {})]}
    assert replay(demands, 0.0) == pytest.approx(2 * 60 / 90)


@pytest.mark.parametrize("demands", [{}, {"1": []}, {"1": [Demand({LOAD: 5}, {}, {})]}])
def test_of_a_cell_that_processed_nothing_there_is_no_rate(demands: dict[str, list[Demand]]) -> None:
    assert replay(demands, 0.0) is None
    assert means_of(demands, 0.0) is None


def test_the_changes_tried_are_those_of_what_was_measured() -> None:
    demands = {
        "1": [_demand(40, 20, before={WAIT: 5, ("changeover", "setup"): 3}, within={FAULT: 7, ("idle", "tool"): 0})]
    }
    found = [(each.kind, each.reason, each.factor) for each in changes_of(demands, 0.8)]
    assert found == [
        ("loading", None, 0.8),
        ("setup", None, 0.8),
        ("changeover_masked", None, 0.0),
        ("fault", "clamp-force", 0.8),
        ("wait", "operator", 0.8),
    ]
