"""The losses as properties over random messages on a real database, held against the oracle's own reading of the rules."""

from collections import Counter
from collections.abc import Sequence
from datetime import date, time
from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.oracle import minor_stops as rule
from tests.oracle import strategies as told
from tests.oracle.contents import PROGRAMS, fastener_fields
from tests.oracle.controller import ZONES, Controller
from tests.oracle.ledger import Derived, Fastener, Piece, derive
from tests.scenarios.ledger.bench import LIMITS, NOW_US
from tests.scenarios.ledger.loop import Loop, few
from tests.scenarios.ledger.test_invariants import grouped
from zoneledger.application.losses import Losses, read_losses
from zoneledger.application.windows import Window
from zoneledger.core.losses import LossAccount, Occurrences, added, steps_of
from zoneledger.core.plant import Cell, Line, PlannedStop, Plant, ShiftPattern, Site, Standard

SECOND_US = told.SECOND_US
ALWAYS = date(2020, 1, 1)
#: What the plant declares, as the oracle takes it. Nothing is declared of trims.
RATES = (
    rule.Rate("fasten", 4 * SECOND_US),
    rule.Rate("fasten", 5_200_001, item="lb-8", limit_us=9 * SECOND_US),
    rule.Rate("fasten", 6 * SECOND_US, program="skin-left"),
    rule.Rate("drill", 11 * SECOND_US, item="lb-10", program="skin-right"),
)
STANDARDS = tuple(Standard(r.operation, r.fastener_us, ALWAYS, r.item, r.program, r.limit_us) for r in RATES)  # type: ignore[arg-type]
#: Two shifts, the first with a stop; the oracle has their planned time by hand.
SHIFTS = (
    ShiftPattern("a", time(6), time(6, 20), "FREQ=DAILY", ALWAYS, stops=(PlannedStop("s", time(6, 2), time(6, 5)),)),
    ShiftPattern("b", time(6, 20), time(6, 55), "FREQ=DAILY", ALWAYS),
)
PLANNED_MIN = ((0, 2), (5, 20), (20, 55))
UNITS = ("", "1", "2")

programs = st.fixed_dictionaries({}, optional={"program": st.sampled_from(PROGRAMS)})


def _losses(
    loop: Loop,
    cells: Sequence[str],
    unit: str,
    windows: Sequence[Window],
    shifts: tuple[ShiftPattern, ...] = (),
    zones: tuple[str, ...] = ZONES,
) -> list[Losses]:
    declared = tuple(Cell(cell.split("/")[-1], zones) for cell in cells)
    plant = Plant((Site("bench", "UTC", (Line("line", shifts, STANDARDS, declared),)),))
    found = plant.find(unit)
    assert found is not None

    async def read() -> list[Losses]:
        async with loop.bench.store.reading() as reading:
            return await read_losses(reading, found, windows, NOW_US, LIMITS)

    return loop.run(read())


def _planned(start_us: int, end_us: int, shifts: tuple[ShiftPattern, ...]) -> list[tuple[int, int]]:
    if not shifts:
        return [(start_us, end_us)]
    whole = [(told.BASE_US + a * 60 * SECOND_US, told.BASE_US + b * 60 * SECOND_US) for a, b in PLANNED_MIN]
    cut = [(max(a, start_us), min(b, end_us)) for a, b in whole]
    return [(a, b) for a, b in cut if a < b]


#: Pauses shorter, as long, and longer than each limit, to the microsecond.
PAUSES_US = sorted({0, 1, *(limit_s * SECOND_US + off for limit_s in (3, 9, 15, 18, 33) for off in (-1, 0, 1))})


@st.composite
def working_streams(draw: st.DrawFn) -> told.Stream:
    """What a controller sends whose head is mostly at work, with pauses around the limits of minor stops."""
    cell = Controller(1, told.BASE_US)
    cell.snapshot()
    for zone in ZONES[: draw(st.integers(1, 2))]:
        cell.begin_activity(zone, {"activity": "process", **draw(programs)}, None)
    for _ in range(draw(st.integers(1, 24))):
        cell.clock_us += draw(st.sampled_from(PAUSES_US))
        zone, what = (
            draw(st.sampled_from(ZONES)),
            draw(st.sampled_from(("fastener",) * 6 + ("end", "begin", "snapshot"))),
        )
        if what == "fastener":
            operation = draw(st.sampled_from(("fasten", "fasten", "fasten", "drill", "trim")))
            cell.make_fastener(zone, **{**draw(fastener_fields), "operation": operation})
        elif what == "end":
            cell.end_activity(zone, "process", "completed")
        elif what == "begin":
            cell.begin_activity(zone, {"activity": "process", **draw(programs)}, None)
        else:
            cell.snapshot()
    messages = [{**message, "at": told.rfc3339(message["at"])} for message in cell.messages]
    return told.Stream(messages, None, cell.truth)


def streams() -> st.SearchStrategy[told.Stream]:
    """Any stream, and such as have minor stops of every kind."""
    return st.one_of(told.any_streams(), working_streams(), working_streams())


@st.composite
def edges_us(draw: st.DrawFn) -> list[int]:
    """Instants around a stream, at which windows are cut."""
    any_time = st.integers(told.BASE_US - 10 * SECOND_US, told.BASE_US + 3600 * SECOND_US)
    on_a_second = st.integers(-10, 3600).map(lambda second: told.BASE_US + second * SECOND_US)
    return sorted(draw(st.sets(st.one_of(any_time, on_a_second), min_size=2, max_size=6)))


def _of_unit(derived: Derived, zone: str) -> tuple[list[Piece], list[Fastener]]:
    pieces = derived.zones.get(zone, []) if zone else derived.cell
    return pieces, [one for one in derived.fasteners if zone in ("", one.zone)]


@few
@given(stream=streams(), edges=edges_us(), shifts=st.sampled_from([(), SHIFTS]))
def test_the_steps_sum_exactly_to_planned_time_and_every_table_to_its_step(
    loop: Loop, stream: told.Stream, edges: list[int], shifts: tuple[ShiftPattern, ...]
) -> None:
    cell = loop.bench.cell()
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    windows = [Window(a, b) for a, b in pairwise(edges)]
    for unit in (cell, f"{cell}/1", f"{cell}/2", "bench/line", "bench"):
        for window, one in zip(windows, _losses(loop, [cell], unit, windows, shifts), strict=True):
            _hold_sums(one, sum(b - a for a, b in _planned(window.start_us, window.end_us, shifts)))


def _hold_sums(one: Losses, planned_us: int) -> None:
    a, losses = one.kpi.account, one.account
    steps = {step.name: step for step in steps_of(a, losses.minor_stop_us)}
    assert a.planned_us == planned_us
    assert sum(step.lost_us for step in steps.values()) + a.good_standard_us == planned_us
    assert steps["reject"].left_us == a.good_standard_us
    for state in ("unknown", "fault", "changeover", "idle"):
        told_us = sum(found.length_us for (name, _), found in losses.causes.items() if name == state)
        assert told_us == steps[state].lost_us == getattr(a, f"{state}_us")
    assert sum(found.length_us for (state, _), found in losses.causes.items() if state == "running") == (
        steps["minor_stops"].lost_us
    )
    programs = losses.programs.values()
    assert sum(one.running_us for one in programs) == a.running_us
    assert sum(one.standard_us for one in programs) == a.standard_us
    assert sum(one.minor_stop_us for one in programs) == steps["minor_stops"].lost_us
    assert sum(one.speed_loss_us for one in programs) == steps["speed"].lost_us
    assert sum(one.made for one in programs) == a.made
    for table in (losses.items.values(), losses.positions.values()):
        assert sum(one.rework for one in table) == a.rework
        assert sum(one.reject for one in table) == a.reject
        assert sum(one.rework_standard_us for one in table) == steps["rework"].lost_us
        assert sum(one.reject_standard_us for one in table) == steps["reject"].lost_us


@few
@given(stream=streams(), edges=edges_us())
def test_the_sums_of_a_cell_hold_where_the_plant_no_longer_names_one_of_its_zones(
    loop: Loop, stream: told.Stream, edges: list[int]
) -> None:
    cell = loop.bench.cell()
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    window = Window(edges[0], edges[-1])
    (one,) = _losses(loop, [cell], cell, [window], zones=("1",))
    (both,) = _losses(loop, [cell], cell, [window])
    _hold_sums(one, edges[-1] - edges[0])
    assert one.account.minor_stop_us == both.account.minor_stop_us
    assert one.account.causes == both.account.causes


@few
@given(stream=streams(), edges=edges_us(), shifts=st.sampled_from([(), SHIFTS]))
def test_minor_stops_are_the_oracles(
    loop: Loop, stream: told.Stream, edges: list[int], shifts: tuple[ShiftPattern, ...]
) -> None:
    cell, derived = loop.bench.cell(), derive(stream.messages)
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    windows = [Window(a, b) for a, b in pairwise(edges)]
    for zone in UNITS:
        stops = rule.minor_stops(*_of_unit(derived, zone), RATES)
        found = _losses(loop, [cell], f"{cell}/{zone}".rstrip("/"), windows, shifts)
        for window, one in zip(windows, found, strict=True):
            planned = _planned(window.start_us, window.end_us, shifts)
            assert one.account.minor_stop_us == rule.inside_us(stops, planned)
            number = sum(1 for stop in stops if rule.inside_us([stop], planned))
            told_of = one.account.causes.get(("running", "minor_stop"))
            assert (told_of.number if told_of else 0) == number


@few
@given(stream=streams(), edges=edges_us(), shifts=st.sampled_from([(), SHIFTS]))
def test_reasons_are_counted_as_the_oracle_counts_them(
    loop: Loop, stream: told.Stream, edges: list[int], shifts: tuple[ShiftPattern, ...]
) -> None:
    cell, derived = loop.bench.cell(), derive(stream.messages)
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    window = Window(edges[0], edges[-1])
    planned = _planned(window.start_us, window.end_us, shifts)
    for zone in UNITS:
        (one,) = _losses(loop, [cell], f"{cell}/{zone}".rstrip("/"), [window], shifts)
        known = {cause: found for cause, found in one.account.causes.items() if cause[0] not in ("unknown", "running")}
        assert known == _counted([p for p in _of_unit(derived, zone)[0] if p.state != "running"], planned)


def _counted(pieces: list[Piece], planned: list[tuple[int, int]]) -> dict[Any, Occurrences]:
    found: dict[Any, list[tuple[int, int]]] = {}
    for piece in pieces:
        inside = [(max(piece.start_us, a), min(piece.end_us, b)) for a, b in planned]
        parts = [(a, b) for a, b in inside if a < b]
        if parts:
            found.setdefault((piece.state, piece.reason), []).append((parts[0][0], sum(b - a for a, b in parts)))
    return {
        cause: Occurrences(
            len(each),
            sum(length for _, length in each),
            min(first for first, _ in each),
            max(first for first, _ in each),
            max(length for _, length in each),
        )
        for cause, each in found.items()
    }


@few
@given(stream=streams(), edges=edges_us())
def test_defects_and_what_was_made_are_the_oracles(loop: Loop, stream: told.Stream, edges: list[int]) -> None:
    cell, derived = loop.bench.cell(), derive(stream.messages)
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    for zone in UNITS:
        (one,) = _losses(loop, [cell], f"{cell}/{zone}".rstrip("/"), [Window(edges[0], edges[-1])])
        made = [f for f in _of_unit(derived, zone)[1] if edges[0] <= f.at_us < edges[-1]]
        account = one.account
        assert {p: of.made for p, of in account.programs.items() if of.made} == Counter(f.program for f in made)
        for result in ("rework", "reject"):
            bad = [f for f in made if f.result == result]
            by_item = {item: getattr(of, result) for item, of in account.items.items() if getattr(of, result)}
            assert by_item == Counter(f.item for f in bad)
            at = {place: getattr(of, result) for place, of in account.positions.items() if getattr(of, result)}
            assert at == Counter((f.program, f.position) for f in bad)


@few
@given(stream=streams(), edges=edges_us(), shifts=st.sampled_from([(), SHIFTS]))
def test_the_losses_of_parts_sum_to_those_of_the_whole(
    loop: Loop, stream: told.Stream, edges: list[int], shifts: tuple[ShiftPattern, ...]
) -> None:
    """All but the occurrences: one that reaches over an edge is counted on both sides. Each part is asked for by itself."""
    cell = loop.bench.cell()
    loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    parts = [Window(a, b) for a, b in pairwise(edges)]
    for unit in (cell, f"{cell}/1"):
        (whole,) = _losses(loop, [cell], unit, [Window(edges[0], edges[-1])], shifts)
        each = [_losses(loop, [cell], unit, [part], shifts)[0].account for part in parts]
        together = sum(each, LossAccount())
        assert each == [one.account for one in _losses(loop, [cell], unit, parts, shifts)]
        assert together.minor_stop_us == whole.account.minor_stop_us
        assert together.programs == whole.account.programs
        assert (together.items, together.positions) == (whole.account.items, whole.account.positions)
        lengths = {cause: found.length_us for cause, found in whole.account.causes.items()}
        assert {cause: found.length_us for cause, found in together.causes.items()} == lengths


@few
@given(streams=st.tuples(streams(), streams()), edges=edges_us())
def test_the_losses_of_a_line_are_those_of_its_cells(
    loop: Loop, streams: tuple[told.Stream, told.Stream], edges: list[int]
) -> None:
    cells = [loop.bench.cell(), loop.bench.cell()]
    for cell, stream in zip(cells, streams, strict=True):
        loop.run(loop.bench.record(cell, [stream.messages] if stream.messages else []))
    window = Window(edges[0], edges[-1])
    (line,) = _losses(loop, cells, "bench/line", [window])
    first, second = (_losses(loop, cells, cell, [window])[0] for cell in cells)
    assert line.account == first.account + second.account
    assert line.account.causes == added(first.account.causes, second.account.causes)
    assert line.kpi.account == first.kpi.account + second.kpi.account


@few
@given(stream=streams(), edges=edges_us(), data=st.data())
def test_the_order_of_arrival_does_not_matter(
    loop: Loop, stream: told.Stream, edges: list[int], data: st.DataObject
) -> None:
    windows = [Window(a, b) for a, b in pairwise(edges)]
    found = []
    for groups in ([stream.messages] if stream.messages else [], data.draw(grouped(stream.messages))):
        cell = loop.bench.cell()
        loop.run(loop.bench.record(cell, groups))
        found.append([[one.account for one in _losses(loop, [cell], f"{cell}{zone}", windows)] for zone in ("", "/2")])
    assert found[0] == found[1]
