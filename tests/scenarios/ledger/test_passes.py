"""Activities and panel passes are the oracle's, in any order and grouping of the messages, on a real database."""

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from tests.oracle import passes as oracle
from tests.oracle import strategies as told
from tests.scenarios.ledger.bench import LIMITS, NOW_US
from tests.scenarios.ledger.loop import Loop, few
from tests.scenarios.ledger.test_invariants import grouped
from zoneledger.application.passes import read_passes
from zoneledger.application.rebuild import rebuild
from zoneledger.application.windows import Window
from zoneledger.core.passes import Pass
from zoneledger.core.rows import Activity

ZONES = ("1", "2")


def _activity(row: Activity) -> oracle.Activity:
    planned = None if row.automatic is None or row.manual is None else (row.automatic, row.manual)
    evidence = (row.begun_by, row.ended_by, row.outcome)
    return oracle.Activity(row.zone, row.activity, row.program, row.panel, planned, row.start_us, row.end_us, *evidence)


def _pass(one: Pass) -> oracle.Pass:
    planned = None if one.automatic is None or one.manual is None else (one.automatic, one.manual)
    over = (one.outcome, one.is_whole, one.over_us)
    return oracle.Pass(one.zone, one.panel, one.program, planned, one.start_us, one.end_us, *over)


def _read(loop: Loop, cell: str, start_us: int = 0, end_us: int = NOW_US) -> dict[str, list[oracle.Pass]]:
    async def read() -> dict[str, list[oracle.Pass]]:
        async with loop.bench.store.reading() as reading:
            heads = await reading.heads([cell])
            found = await read_passes(reading, heads, [(cell, zone) for zone in ZONES], start_us, end_us, LIMITS)
        return {zone: [_pass(one) for one in found.get((cell, zone), [])] for zone in ZONES}

    return loop.run(read())


def _of_zones(found: dict[str, list[oracle.Pass]]) -> dict[str, list[oracle.Pass]]:
    return {zone: found.get(zone, []) for zone in ZONES}


@few
@given(stream=told.any_streams(), data=st.data())
def test_activities_and_passes_are_the_oracles_before_and_after_a_rebuild(
    loop: Loop, stream: told.Stream, data: st.DataObject
) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, data.draw(grouped(stream.messages))))
    wanted = oracle.activities(stream.messages)
    for _ in range(2):
        booked, _, _ = loop.run(bench.rows(cell))
        for zone in ZONES:
            rows = sorted(booked.activities, key=lambda row: (row.start_us, row.end_us, row.place))
            over = [_activity(row) for row in rows if row.zone == zone]
            assert over == [one for one in wanted.get(zone, []) if one.ended_by != "open"]
        assert _read(loop, cell) == _of_zones(oracle.passes(stream.messages))
        loop.run(rebuild(bench.store, cell, lambda: NOW_US, LIMITS, anew=True))


@few
@given(stream=told.any_streams(), data=st.data())
def test_a_pass_is_the_same_through_every_window(loop: Loop, stream: told.Stream, data: st.DataObject) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, [stream.messages] if stream.messages else []))
    start_us, end_us = data.draw(_windows(_of_zones(oracle.passes(stream.messages))))
    seen, stood = _read(loop, cell, start_us, end_us), _of_zones(oracle.passes(stream.messages, end_us))
    whole = _of_zones(oracle.passes(stream.messages))
    for zone in ZONES:
        assert _ended(seen[zone], start_us, end_us) == _ended(stood[zone], start_us, end_us)
        assert _ended(seen[zone], start_us, end_us) == _ended(whole[zone], start_us, end_us)
        assert [one for one in seen[zone] if one.over_us is None] == [one for one in stood[zone] if one.over_us is None]


@few
@given(stream=told.any_streams(), data=st.data())
def test_fasteners_are_those_of_their_own_panels_pass(loop: Loop, stream: told.Stream, data: st.DataObject) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, [stream.messages] if stream.messages else []))
    start_us, end_us = data.draw(_windows(_of_zones(oracle.passes(stream.messages))))
    made, others = oracle.made(stream.messages, end_us)
    due = [one for one in made if one.over_us is None or start_us <= one.over_us]
    panels = loop.run(bench.panels(cell, Window(start_us, end_us)))
    told_of = {_pass(each.one): each.share for each in (*panels.page, *panels.present)}
    assert {one: +Counter(share.results) for one, share in told_of.items()} == {one: made[one] for one in due}
    assert {one: share.of_other_panels for one, share in told_of.items()} == {one: others[one] for one in due}


@st.composite
def _windows(draw: st.DrawFn, whole: dict[str, list[oracle.Pass]]) -> tuple[int, int]:
    edges = sorted(
        {us for ones in whole.values() for one in ones for us in (one.start_us, one.end_us, one.over_us or 0) if us}
    )
    within = st.integers(told.BASE_US - 10**7, told.BASE_US + 3600 * 10**6)
    instants = st.one_of(st.sampled_from(edges), within) if edges else within
    start_us, end_us = sorted((draw(instants), draw(instants) + 1))
    return start_us, max(end_us, start_us + 1)


def _ended(found: list[oracle.Pass], start_us: int, end_us: int) -> list[oracle.Pass]:
    return [one for one in found if one.is_over_in(start_us, end_us)]
