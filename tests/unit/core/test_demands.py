"""What a zone's passes ask of the head, read off passes and spans."""

from zoneledger.core.activities import EVENT
from zoneledger.core.demands import Demand, ZoneTime, demands_of, transfers_us
from zoneledger.core.passes import Pass, passes_of
from zoneledger.core.rows import Activity, Place
from zoneledger.core.spans import Span

_STATES = {"load": "changeover", "unload": "changeover", "process": "running", "setup": "changeover"}


def _zone(zone: str, *told: tuple[str, int, int], planned: tuple[int, int] = (0, 1000)) -> ZoneTime:
    """Return a zone that did these things, each an activity or (state/reason) a span without one."""
    spans = [Span(a, b, *(what.split("/") if "/" in what else (_STATES[what], what))) for what, a, b in told]
    rows = [
        Activity(Place(1, k, 0), zone, what, None, None, None, None, a, b, EVENT, EVENT, None)
        for k, (what, a, b) in enumerate(told)
        if what in _STATES
    ]
    passes: list[Pass] = passes_of(rows)
    return ZoneTime(passes, spans, [planned])


_FIRST = _zone(
    "1",
    ("load", 0, 20),
    ("process", 20, 60),
    ("unload", 60, 70),
    ("idle/operator", 70, 75),
    ("load", 75, 100),
    ("idle/head", 100, 110),
    ("fault/clamp", 110, 118),
    ("process", 118, 150),
    ("unload", 150, 160),
)
_SECOND = _zone("2", ("load", 0, 30), ("idle/head", 30, 62), ("process", 62, 105), ("unload", 105, 120))


def test_a_turn_reaches_back_to_the_pass_before_and_leaves_the_wait_for_the_head_out() -> None:
    found = demands_of({"1": _FIRST, "2": _SECOND}, 0, 1000)
    load = ("changeover", "load")
    assert found["1"] == [
        Demand(
            {("idle", "operator"): 5, load: 25},
            {("running", "process"): 32, ("fault", "clamp"): 8},
            {("changeover", "unload"): 10},
        )
    ]
    assert found["2"] == [Demand({load: 30}, {("running", "process"): 43}, {("changeover", "unload"): 15})]


def test_a_fault_while_the_head_is_elsewhere_does_not_hold_it_up() -> None:
    waiting = _zone(
        "1",
        ("load", 0, 10),
        ("idle/head", 10, 20),
        ("fault/clamp", 20, 30),
        ("idle/head", 30, 65),
        ("process", 65, 90),
        ("unload", 90, 95),
    )
    busy = _zone("2", ("load", 0, 5), ("process", 5, 63), ("unload", 63, 70))
    (demand,) = demands_of({"1": waiting, "2": busy}, 0, 1000)["1"]
    assert demand.head == {("running", "process"): 25}


def test_time_outside_planned_time_is_in_no_turn() -> None:
    zone = _zone("1", ("load", 0, 20), ("process", 20, 60), ("unload", 60, 70), planned=(10, 50))
    assert demands_of({"1": zone}, 0, 1000)["1"] == [
        Demand({("changeover", "load"): 10}, {("running", "process"): 30}, {})
    ]


def test_only_passes_that_ended_in_the_window_have_turns() -> None:
    assert demands_of({"1": _FIRST}, 0, 160)["1"] == demands_of({"1": _FIRST}, 0, 71)["1"]
    assert demands_of({"1": _FIRST}, 100, 160) == {"1": []}
    assert len(demands_of({"1": _FIRST}, 100, 161)["1"]) == 1


def test_the_heads_way_is_seen_where_a_zone_waited_as_it_was_let_go() -> None:
    assert transfers_us({"1": _FIRST, "2": _SECOND}, 0, 1000) == [2, 5]
    assert transfers_us({"1": _FIRST, "2": _SECOND}, 63, 1000) == [5]
    assert transfers_us({"1": _FIRST}, 0, 1000) == []


def test_a_way_of_no_length_is_seen_too() -> None:
    second = _zone("2", ("load", 0, 30), ("idle/head", 30, 60), ("process", 60, 90), ("unload", 90, 95))
    first = _zone("1", ("load", 0, 20), ("process", 20, 60), ("unload", 60, 70))
    assert transfers_us({"1": first, "2": second}, 0, 1000) == [0]
