"""Losses: steps down from planned time, occurrences of reasons, and the orders of the tables."""

from itertools import pairwise, permutations

from hypothesis import given
from hypothesis import strategies as st

from tests.unit.portions import to_portion
from zoneledger.core.figures import Account
from zoneledger.core.losses import (
    Defects,
    LossAccount,
    Occurrences,
    ProgramLoss,
    causes_by_number,
    causes_by_time,
    causes_of,
    items_in_order,
    positions_in_order,
    programs_in_order,
    steps_of,
    stops_of,
    within,
)
from zoneledger.core.spans import Interval, Span

PLANNED = [(0, 100), (150, 200)]


def test_each_step_leaves_what_it_does_not_lose_and_the_last_the_good_standard_time() -> None:
    account = Account(planned_us=100)
    account.book({("unknown", None): 5, ("fault", "clamp"): 10, ("changeover", "load"): 15, ("idle", "operator"): 20})
    account.book({("running", "process"): 50})
    for result, number in (("good", 12), ("rework", 2), ("reject", 1)):
        account.count(result, result, number, 2)
    steps = steps_of(account, 8)
    assert [step.lost_us for step in steps] == [5, 10, 15, 20, 8, 12, 4, 2]
    assert [step.left_us for step in steps] == [95, 85, 70, 50, 42, 30, 26, 24]
    assert account.good_standard_us == 24


def test_speed_gains_where_standard_and_minor_stops_account_for_more_than_running_time() -> None:
    account = Account(planned_us=10)
    account.book({("running", "process"): 10})
    account.count("good", "good", 3, 4)
    speed = steps_of(account, 1)[5]
    assert (speed.name, speed.lost_us, speed.left_us) == ("speed", -3, 12)


def test_an_occurrence_that_a_planned_stop_cuts_in_two_is_one() -> None:
    spans = [Span(90, 160, "fault", "clamp"), Span(160, 170, "idle", "tool"), Span(190, 300, "fault", "clamp")]
    assert causes_of(spans, PLANNED) == {
        ("fault", "clamp"): Occurrences(2, 30, 90, 190, 20),
        ("idle", "tool"): Occurrences(1, 10, 160, 160, 10),
    }


def test_what_lies_outside_planned_time_does_not_occur() -> None:
    assert causes_of([Span(100, 150, "fault", "clamp"), Span(200, 300, "fault", "clamp")], PLANNED) == {}
    assert causes_of([Span(0, 100, "fault", "clamp")], []) == {}
    assert stops_of([(110, 140)], PLANNED) is None


def test_an_occurrence_begins_where_it_reaches_planned_time() -> None:
    assert stops_of([(-50, 10), (120, 160)], PLANNED) == Occurrences(2, 20, 0, 150, 10)


@st.composite
def _disjoint(draw: st.DrawFn) -> list[Interval]:
    edges = sorted(draw(st.sets(st.integers(0, 60), max_size=12)))
    return [pair for i, pair in enumerate(pairwise(edges)) if i % 2 == 0 or draw(st.booleans())]


@given(intervals=_disjoint(), planned=_disjoint())
def test_what_of_an_interval_lies_in_planned_time_is_what_interval_arithmetic_says(
    intervals: list[Interval], planned: list[Interval]
) -> None:
    for interval, found in zip(intervals, within(intervals, planned), strict=True):
        inside = to_portion([interval]) & to_portion(planned)
        if inside.empty:
            assert found is None
        else:
            assert found == (inside.lower, sum(part.upper - part.lower for part in inside))


def test_occurrences_of_cells_add_up() -> None:
    both = Occurrences(2, 30, 5, 90, 20) + Occurrences(1, 25, 1, 1, 25)
    assert both == Occurrences(3, 55, 1, 90, 25)
    assert both.mean_us == 18


def test_accounts_add_up_by_key_and_are_left_as_they_were() -> None:
    one = LossAccount(1, {("fault", "a"): Occurrences(1, 5, 0, 0, 5)}, {"p": ProgramLoss(9, 4, 1, 2)})
    one.items, one.positions = {"i": Defects.of("rework", 2, 3)}, {("p", "r1"): Defects.of("reject", 1, 3)}
    other = LossAccount(2, {("idle", "tool"): Occurrences(1, 7, 3, 3, 7)}, {"p": ProgramLoss(1, 1, 2, 1)})
    other.items, other.positions = {"i": Defects.of("reject", 1, 3)}, {("q", "r1"): Defects.of("reject", 1, 3)}
    both = one + other
    assert both.minor_stop_us == 3
    assert both.causes == one.causes | other.causes
    assert both.programs == {"p": ProgramLoss(10, 5, 3, 3)}
    assert both.items == {"i": Defects(2, 1, 6, 3)}
    assert both.positions == one.positions | other.positions
    assert one.programs == {"p": ProgramLoss(9, 4, 1, 2)}
    assert both.programs["p"].speed_loss_us == 2


def _cause(number: int, length_us: int) -> Occurrences:
    return Occurrences(number, length_us, 0, 0, length_us)


def test_reasons_are_ranked_by_time_and_by_count_and_ties_by_name() -> None:
    causes = {
        ("fault", "b"): _cause(1, 50),
        ("fault", "a"): _cause(1, 50),
        ("unknown", None): _cause(1, 50),
        ("unknown", "gap"): _cause(1, 50),
        ("changeover", "load"): _cause(4, 50),
        ("idle", "tool"): _cause(9, 10),
        ("running", "minor_stop"): _cause(4, 70),
    }
    by_time = [("running", "minor_stop"), ("changeover", "load"), ("fault", "a"), ("fault", "b"), ("unknown", None)]
    by_time += [("unknown", "gap"), ("idle", "tool")]
    by_number = [("idle", "tool"), ("running", "minor_stop"), ("changeover", "load"), *by_time[2:6]]
    for order in permutations(causes.items()):
        assert [cause for cause, _ in causes_by_time(dict(order))] == by_time
        assert [cause for cause, _ in causes_by_number(dict(order))] == by_number


def test_programs_are_in_the_order_of_their_running_time() -> None:
    programs = {"b": ProgramLoss(5), None: ProgramLoss(5), "a": ProgramLoss(5, made=1), "c": ProgramLoss(9)}
    assert [name for name, _ in programs_in_order(programs)] == ["c", "a", None, "b"]


def test_the_worst_item_has_lost_the_most_standard_time() -> None:
    items: dict[str | None, Defects] = {
        "few-slow": Defects.of("reject", 1, 100),
        "many-unrated": Defects.of("rework", 40, 0),
        "many-fast": Defects.of("rework", 30, 2),
        "rejected": Defects.of("reject", 30, 2),
        None: Defects.of("rework", 30, 2),
    }
    assert [name for name, _ in items_in_order(items)] == ["few-slow", "rejected", None, "many-fast", "many-unrated"]


def test_positions_of_equal_loss_are_in_the_order_of_program_and_position() -> None:
    one = Defects.of("reject", 1, 1)
    places = [("q", "r1"), ("p", "r2"), ("p", None), (None, "r9"), ("p", "r10")]
    ordered = [(None, "r9"), ("p", None), ("p", "r10"), ("p", "r2"), ("q", "r1")]
    assert [place for place, _ in positions_in_order(dict.fromkeys(places, one))] == ordered
