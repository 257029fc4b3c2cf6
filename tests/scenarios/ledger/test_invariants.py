"""The invariants of the ledger, each as a property over messages that keep the contract, on a real database.

The oracle (tests/oracle) was written from the design by someone who had not seen the ledger, and shares no code with it.
"""

from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.oracle import strategies as told
from tests.oracle.ledger import Derived, derive
from tests.scenarios.ledger.bench import LIMITS, NOW_US
from tests.scenarios.ledger.loop import Loop, few
from zoneledger.application.rebuild import rebuild
from zoneledger.application.windows import Window

Message = dict[str, Any]


@st.composite
def grouped(draw: st.DrawFn, messages: list[Message]) -> list[list[Message]]:
    """Some order of the messages, some of them twice, cut into groups."""
    arrived = draw(told.arrivals(messages))
    cuts = sorted(draw(st.sets(st.integers(1, max(1, len(arrived))), max_size=6)))
    edges = [0, *cuts, len(arrived)]
    return [arrived[a:b] for a, b in pairwise(edges) if a < b]


def known(derived: Derived) -> dict[str, Any]:
    units = {**derived.zones, "": derived.cell}
    return {zone: pieces for zone, pieces in units.items() if pieces}


@few
@given(stream=told.any_streams(), data=st.data())
def test_in_any_order_and_grouping_the_ledger_is_the_oracles(
    loop: Loop, stream: told.Stream, data: st.DataObject
) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    groups = data.draw(grouped(stream.messages))
    loop.run(bench.record(cell, groups, stream.link_down_us))
    assert loop.run(bench.pieces(cell)) == known(derive(stream.messages, stream.link_down_us))


@few
@given(stream=told.any_streams(), data=st.data())
def test_the_fasteners_and_missing_events_are_the_oracles(loop: Loop, stream: told.Stream, data: st.DataObject) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, data.draw(grouped(stream.messages))))
    booked, _, made = loop.run(bench.rows(cell))
    wanted = derive(stream.messages)
    verdicts = {(f.boot, f.seq): verdict for f, verdict in made}
    found = [
        (
            f.at_us,
            f.zone,
            f.operation,
            verdicts.get((f.boot, f.seq)) or f.result,
            f.result,
            f.program,
            f.panel,
            f.item,
            f.position,
        )
        for f in sorted(booked.fasteners, key=lambda f: (f.boot, f.seq))
    ]
    assert found == [
        (f.at_us, f.zone, f.operation, f.result, f.first_result, f.program, f.panel, f.item, f.position)
        for f in wanted.fasteners
    ]
    assert united((g.place.boot, g.first_seq, g.last_seq) for g in booked.gaps) == sorted(wanted.gaps)


def united(gaps: Any) -> list[tuple[int, int, int]]:
    """Missing events as the widest ranges."""
    wide: list[tuple[int, int, int]] = []
    for boot, first, last in sorted(gaps):
        if wide and wide[-1][0] == boot and wide[-1][2] + 1 == first:
            wide[-1] = boot, wide[-1][1], last
        else:
            wide.append((boot, first, last))
    return wide


@few
@given(stream=told.any_streams(), data=st.data())
def test_incremental_updates_and_a_rebuild_give_the_same_rows(
    loop: Loop, stream: told.Stream, data: st.DataObject
) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, data.draw(grouped(stream.messages))))
    before = loop.run(bench.rows(cell))
    loop.run(rebuild(bench.store, cell, lambda: NOW_US, LIMITS, anew=True))
    assert loop.run(bench.rows(cell)) == before
    at_once = bench.cell()
    loop.run(bench.record(at_once, [stream.messages] if stream.messages else []))
    assert loop.run(bench.rows(at_once)) == before


@few
@given(stream=told.any_streams(), data=st.data())
def test_states_partition_any_window_and_parts_sum_to_the_whole(
    loop: Loop, stream: told.Stream, data: st.DataObject
) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, [stream.messages] if stream.messages else []))
    edges = sorted(
        data.draw(st.sets(st.integers(told.BASE_US - 10**7, told.BASE_US + 3600 * 10**6), min_size=3, max_size=8))
    )
    windows = [Window(edges[0], edges[-1]), *(Window(a, b) for a, b in pairwise(edges))]
    whole, *parts = loop.run(bench.kpi(cell, windows))
    for kpi in (whole, *parts):
        a = kpi.account
        states = a.running_us + a.idle_us + a.fault_us + a.changeover_us + a.unknown_us
        assert states == a.planned_us == kpi.window.end_us - kpi.window.start_us
    names = (
        "running_us",
        "idle_us",
        "fault_us",
        "changeover_us",
        "unknown_us",
        "made",
        "good",
        "rework",
        "reject",
        "standard_us",
    )
    for name in names:
        assert getattr(whole.account, name) == sum(getattr(part.account, name) for part in parts)


@few
@given(stream=told.streams(told.Disturbances(equal_times=True)), data=st.data())
def test_taking_events_away_changes_only_time_that_is_then_unknown(
    loop: Loop, stream: told.Stream, data: st.DataObject
) -> None:
    """Holds while the cell's last message stays and the clock is never set back, as the oracle's own tests say."""
    bench = loop.bench
    ordered = sorted(stream.messages, key=lambda m: (m["boot"], m["seq"], m["type"] == "snapshot", m["at"]))
    events = [m for m in ordered[:-1] if m["type"] != "snapshot"]
    gone = data.draw(st.lists(st.sampled_from(events), max_size=4)) if events else []
    full, less = bench.cell(), bench.cell()
    loop.run(bench.record(full, [stream.messages] if stream.messages else []))
    left = [m for m in stream.messages if m not in gone]
    loop.run(bench.record(less, [left] if left else []))
    all_pieces = loop.run(bench.pieces(full))
    for zone, pieces in loop.run(bench.pieces(less)).items():
        for piece in pieces:
            told_of = [p for p in all_pieces.get(zone, []) if p.start_us < piece.end_us and p.end_us > piece.start_us]
            covered = sum(min(p.end_us, piece.end_us) - max(p.start_us, piece.start_us) for p in told_of)
            assert {(p.state, p.reason) for p in told_of} == {(piece.state, piece.reason)}
            assert covered == piece.end_us - piece.start_us
