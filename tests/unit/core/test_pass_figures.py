"""What passes add up to: time by kind, what is left for the hand, quantiles and programs."""

from statistics import quantiles
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.pass_figures import by_program, left_for_hand, quantile, time_inside
from zoneledger.core.passes import Pass
from zoneledger.core.spans import Span

_SPANS = [
    Span(0, 20, "changeover", "load"),
    Span(20, 30, "idle", "head"),
    Span(30, 60, "running", "process"),
    Span(60, 65, "fault", "clamp-force"),
    Span(65, 70, "idle", "unexplained"),
    Span(75, 90, "changeover", "unload"),
    Span(90, 95, "changeover", "setup"),
]


def test_time_inside_a_pass_is_told_by_kind_and_reason() -> None:
    inside = time_inside(_SPANS, 0, 90)
    kinds = {"load": 20, "setup": 0, "process": 30, "wait": 15, "fault": 5, "unload": 15, "unknown": 5}
    assert inside.kinds == kinds
    assert (inside.waits, inside.faults) == ({"head": 10, "unexplained": 5}, {"clamp-force": 5})


@given(st.integers(-20, 120), st.integers(0, 140))
def test_time_inside_sums_to_the_pass_wherever_it_is_cut(start_us: int, length_us: int) -> None:
    inside = time_inside(_SPANS, start_us, start_us + length_us)
    assert sum(inside.kinds.values()) == length_us
    assert (sum(inside.waits.values()), sum(inside.faults.values())) == (inside.kinds["wait"], inside.kinds["fault"])


@pytest.mark.parametrize(
    ("planned", "made", "left"), [(300, 268, 32), (300, 300, 0), (300, 301, 0), (0, 0, 0), (None, 5, None)]
)
def test_left_for_the_hand_is_what_was_planned_and_not_made(planned: int | None, made: int, left: int | None) -> None:
    assert left_for_hand(planned, made) == left


@given(st.lists(st.integers(0, 10**12), min_size=2, max_size=40))
def test_quantiles_are_those_of_pythons_statistics(values: list[int]) -> None:
    """statistics.quantiles, method inclusive: the same definition, 7 of Hyndman and Fan (1996) [memory]."""
    ordered, cuts = sorted(values), quantiles(values, n=10, method="inclusive")
    told = [quantile(ordered, tenth / 10) for tenth in range(1, 10)]
    assert told == pytest.approx(cuts, rel=1e-12, abs=1e-3)
    assert (quantile(ordered, 0.0), quantile(ordered, 1.0)) == (ordered[0], ordered[-1])


def test_of_no_values_there_is_no_quantile_and_of_one_it_is_that() -> None:
    assert (quantile([], 0.5), quantile([7], 0.9)) == (None, 7)


def _pass(length_us: int, outcome: str = "completed", program: str | None = "skin", **told: Any) -> Pass:
    plan = {"automatic": 40, "manual": 10, "load_seen": True, "unload_seen": True} | told
    return Pass("1", 0, length_us, program=program, outcome=outcome, **plan)


def test_a_program_has_its_passes_by_outcome_and_floor_to_floor_times_of_the_whole_completed_ones() -> None:
    made = {"good": 38, "rework": 1, "reject": 1}
    passes = [
        (_pass(300), made),
        (_pass(100), made),
        (_pass(900, "aborted"), {"good": 5}),
        (_pass(800, load_seen=False), made),
        (_pass(700, "unfinished"), made),
        (_pass(600, "ended", automatic=None, manual=None), made),
        (_pass(50, program=None), {}),
    ]
    skin, nameless = by_program(passes)
    assert (skin.program, nameless.program, nameless.number) == ("skin", None, 1)
    assert skin.outcomes == {"completed": 3, "aborted": 1, "ended": 1, "unfinished": 1}
    assert (skin.number, skin.whole_us, skin.mean_us) == (6, [100, 300], 200)
    assert (skin.made, skin.planned, skin.unplanned, skin.automation_level) == (125, 200, 1, 0.625)


def test_of_no_passes_there_is_no_program() -> None:
    assert by_program([]) == []
