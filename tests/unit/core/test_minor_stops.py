"""Minor stops: pieces of running time between fasteners that last longer than the standard lets them."""

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.oracle import minor_stops as rule
from tests.oracle.ledger import Fastener, Piece
from zoneledger.core.minor_stops import Cut, Pause, minor_stops, smallest_limit_us
from zoneledger.core.plant import Standard
from zoneledger.core.spans import Interval
from zoneledger.core.standards import Standards

ALWAYS = date(1960, 1, 1)
UTC = ZoneInfo("UTC")
S = 1_000_000
#: Limits: 15 s, 30 s, and 8 s as declared.
FAST, SLOW, STRICT = (
    Standard("fasten", 4 * S, ALWAYS),
    Standard("drill", 10 * S, ALWAYS),
    Standard("fasten", 6 * S, ALWAYS, item="strict", minor_stop_us=8 * S),
)
STANDARDS = Standards([], [FAST, SLOW, STRICT], UTC)
RATES = (
    rule.Rate("fasten", 4 * S),
    rule.Rate("drill", 10 * S),
    rule.Rate("fasten", 6 * S, item="strict", limit_us=8 * S),
)


def cut(second: float, operation: str = "fasten", item: str | None = None) -> Cut:
    return Cut(round(second * S), operation, item, None)


def found(running: Sequence[tuple[float, float]], *cuts: Cut) -> list[tuple[float, float]]:
    """Return the minor stops in seconds."""
    whole = [(round(a * S), round(b * S)) for a, b in running]
    pauses = [Pause(*pair) for pair in pairwise([None, *cuts, None])]
    return [(start_us / S, end_us / S) for start_us, end_us in minor_stops(whole, pauses, STANDARDS)]


def test_a_piece_longer_than_the_limit_of_the_fastener_that_ends_it_is_one_less_its_standard_time() -> None:
    assert found([(0, 40)], cut(10), cut(30), cut(34)) == [(10, 26)]


def test_a_piece_as_long_as_the_limit_is_none() -> None:
    assert found([(0, 15)], cut(15)) == []
    assert found([(0, 15.000001)], cut(15.000001)) == [(0, 11.000001)]


def test_the_limit_is_that_of_the_fastener_that_ends_the_piece_and_not_of_the_one_before() -> None:
    assert found([(0, 30)], cut(5, "drill"), cut(25)) == [(5, 21)]
    assert found([(0, 30)], cut(5), cut(30, "drill")) == []


def test_a_declared_limit_holds() -> None:
    assert found([(0, 20)], cut(4), cut(13, item="strict")) == [(4, 7)]
    assert found([(0, 20)], cut(4), cut(12, item="strict")) == []


def test_a_piece_that_the_running_span_ends_has_the_limit_of_the_fastener_that_begins_it_and_keeps_all_its_time() -> (
    None
):
    assert found([(0, 50)], cut(10, "drill")) == [(10, 50)]
    assert found([(0, 40)], cut(10, "drill")) == []
    assert found([(0, 26)], cut(10)) == [(10, 26)]


def test_a_running_span_without_a_fastener_has_a_limit_of_15_s() -> None:
    assert found([(0, 15), (20, 36)]) == [(20, 36)]


def test_a_fastener_before_the_span_does_not_begin_its_first_piece() -> None:
    assert found([(0, 6), (10, 26)], cut(5, "drill")) == [(10, 26)]


def test_a_fastener_without_a_standard_has_a_limit_of_15_s_and_nothing_is_subtracted() -> None:
    assert found([(0, 36)], cut(16, "trim"), cut(31, "trim")) == [(0, 16)]
    assert found([(0, 36)], cut(20, "trim")) == [(0, 20), (20, 36)]


def test_a_fastener_at_the_end_of_a_span_ends_its_last_piece_and_one_at_its_start_begins_the_first() -> None:
    assert found([(0, 20)], cut(20)) == [(0, 16)]
    assert found([(10, 36)], cut(10, "drill")) == []


def test_a_pause_over_several_running_spans_is_a_piece_in_each() -> None:
    assert found([(0, 20), (30, 40), (50, 70)], cut(0), cut(70)) == [(0, 20), (50, 66)]


def test_a_standard_that_begins_later_holds_from_then_on() -> None:
    later = Standards([], [FAST, Standard("fasten", 30 * S, date(1970, 1, 2))], UTC)
    day_us = 86_400 * S
    at = Cut(day_us - 1, "fasten", None, None), Cut(day_us + 80 * S, "fasten", None, None)
    assert minor_stops([(0, day_us + 80 * S)], [Pause(None, at[0]), Pause(*at), Pause(at[1], None)], later) == [
        (0, day_us - 1 - 4 * S)
    ]


def test_the_smallest_limit_is_that_of_any_standard_and_never_above_15_s() -> None:
    assert smallest_limit_us(STANDARDS) == 8 * S
    assert smallest_limit_us(Standards([], [SLOW], UTC)) == 15 * S
    assert smallest_limit_us(Standards([], [], UTC)) == 15 * S


_KINDS = st.sampled_from([("fasten", None), ("drill", None), ("trim", None), ("fasten", "strict")])
_MADE = st.lists(st.tuples(st.integers(0, 90), _KINDS), max_size=8)


@st.composite
def _running(draw: st.DrawFn) -> list[Interval]:
    """Spans on whole seconds that neither overlap nor touch."""
    edges = sorted(draw(st.sets(st.integers(0, 90), max_size=8)))
    return [(a * S, b * S) for a, b in zip(edges[::2], edges[1::2], strict=False)]


@settings(max_examples=400)
@given(running=_running(), made=_MADE, longer_us=st.sampled_from([0, 8 * S]))
def test_they_are_those_that_the_rule_tells_whether_short_pauses_are_given_or_not(
    running: list[Interval], made: list[tuple[int, tuple[str, str | None]]], longer_us: int
) -> None:
    rows = [_fastener(seq, second, *kind) for seq, (second, kind) in enumerate(sorted(made, key=lambda one: one[0]))]
    cuts = [Cut(row.at_us, row.operation, row.item, row.program) for row in rows]
    pauses = [Pause(*pair) for pair in pairwise([None, *cuts, None])]
    long = [p for p in pauses if p.before is None or p.after is None or p.after.at_us - p.before.at_us > longer_us]
    told = rule.minor_stops([Piece(a, b, "running", "process") for a, b in running], rows, RATES)
    assert minor_stops(running, long, STANDARDS) == told


def _fastener(seq: int, second: int, operation: str, item: str | None) -> Fastener:
    return Fastener(second * S, "1", operation, "good", "good", None, None, item, None, 1, seq)
