"""Running time by program, held against a reading instant by instant that shares no code with it."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.activities import OPEN
from zoneledger.core.program_time import ZoneTime, lengths_us, running_by_program
from zoneledger.core.rows import Activity, Place
from zoneledger.core.spans import Interval, Span
from zoneledger.core.states import IDLE, RUNNING

END = 30
_EDGES = st.sets(st.integers(0, END), max_size=8).map(sorted)


def process(start_us: int, end_us: int, program: str | None, *, name: str = "process", open: bool = False) -> Activity:
    """Return an activity of a zone; one that is open ends where it was last heard of."""
    ended_by = OPEN if open else "event"
    return Activity(Place(1, 1, 0), "1", name, program, None, None, None, start_us, end_us, "event", ended_by, None)


def running(*intervals: Interval) -> list[Span]:
    """Return running spans."""
    return [Span(*interval, RUNNING, "process") for interval in intervals]


@st.composite
def _disjoint(draw: st.DrawFn) -> list[Interval]:
    return [pair for pair in pairwise(draw(_EDGES)) if draw(st.booleans())]


@st.composite
def _zone(draw: st.DrawFn) -> ZoneTime:
    spans = [Span(*pair, draw(st.sampled_from([RUNNING, IDLE])), None) for pair in draw(_disjoint())]
    names, programs = st.sampled_from(["process", "process", "load"]), st.sampled_from(["skin", "rib", None])
    rows = [process(*pair, draw(programs), name=draw(names)) for pair in draw(_disjoint())]
    last_is_open = draw(st.booleans())
    if rows and last_is_open:
        rows[-1] = rows[-1]._replace(ended_by=OPEN)
    return spans, rows


def _program_at(zone: ZoneTime, at: int) -> str | None:
    for row in zone[1]:
        if row.activity == "process" and row.start_us <= at and (at < row.end_us or row.ended_by == OPEN):
            return row.program
    return None


def _read_instant_by_instant(zones: dict[str, ZoneTime], planned: list[Interval]) -> dict[str | None, set[int]]:
    found: dict[str | None, set[int]] = {}
    for at in range(END):
        runs = [
            name
            for name in sorted(zones)
            if any(s.start_us <= at < s.end_us for s in zones[name][0] if s[2] == RUNNING)
        ]
        if runs and any(start <= at < end for start, end in planned):
            found.setdefault(_program_at(zones[runs[0]], at), set()).add(at)
    return found


@given(zones=st.dictionaries(st.sampled_from("123"), _zone(), max_size=3), planned=_disjoint())
def test_each_instant_of_running_time_has_the_program_of_the_first_zone_that_runs(
    zones: dict[str, ZoneTime], planned: list[Interval]
) -> None:
    found = running_by_program(zones, planned)
    expected = _read_instant_by_instant(zones, planned)
    assert {program: {at for i in intervals for at in range(*i)} for program, intervals in found.items()} == expected
    assert lengths_us(found) == {program: len(instants) for program, instants in expected.items()}
    for intervals in found.values():
        assert all(before[1] < after[0] for before, after in pairwise(intervals))


def test_an_activity_that_is_not_over_has_the_time_that_its_evidence_reaches_further() -> None:
    zones: dict[str, ZoneTime] = {"1": (running((0, 60)), [process(0, 30, "skin", open=True)])}
    assert running_by_program(zones, [(0, 100)]) == {"skin": [(0, 60)]}


def test_running_time_of_which_no_activity_is_told_has_no_program() -> None:
    zones: dict[str, ZoneTime] = {"1": (running((0, 60)), [process(20, 40, "skin"), process(40, 40, "none of it")])}
    assert running_by_program(zones, [(10, 50)]) == {None: [(10, 20), (40, 50)], "skin": [(20, 40)]}


def test_where_two_zones_run_at_once_the_first_by_name_has_the_time() -> None:
    first: ZoneTime = (running((10, 30)), [process(0, 99, "skin")])
    second: ZoneTime = (running((0, 40)), [process(0, 99, "rib")])
    assert running_by_program({"2": second, "1": first}, [(0, 99)]) == {"skin": [(10, 30)], "rib": [(0, 10), (30, 40)]}
