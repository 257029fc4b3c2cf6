"""Activities and panel passes are the oracle's, in any order and grouping of the messages, on a real database."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from tests.oracle import passes as oracle
from tests.oracle import strategies as told
from tests.scenarios.ledger.bench import LIMITS, NOW_US
from tests.scenarios.ledger.loop import Loop, few
from tests.scenarios.ledger.test_invariants import grouped
from zoneledger.application.passes import read_passes
from zoneledger.application.rebuild import rebuild
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
        loop.run(rebuild(bench.store, cell, lambda: NOW_US, LIMITS))


@few
@given(stream=told.any_streams(), data=st.data())
def test_a_pass_is_the_same_through_every_window(loop: Loop, stream: told.Stream, data: st.DataObject) -> None:
    cell, bench = loop.bench.cell(), loop.bench
    loop.run(bench.record(cell, [stream.messages] if stream.messages else []))
    whole = _of_zones(oracle.passes(stream.messages))
    edges = sorted(
        {us for ones in whole.values() for one in ones for us in (one.start_us, one.end_us, one.over_us or 0)}
    )
    within = st.integers(told.BASE_US - 10**7, told.BASE_US + 3600 * 10**6)
    instants = st.one_of(st.sampled_from(edges), within) if edges else within
    start_us, end_us = sorted((data.draw(instants), data.draw(instants) + 1))
    seen = _read(loop, cell, start_us, end_us)
    for zone in ZONES:
        assert _ended(seen[zone], start_us, end_us) == _ended(whole[zone], start_us, end_us)
        assert _going_on(seen[zone], end_us) == _going_on(whole[zone], end_us)


def _ended(found: list[oracle.Pass], start_us: int, end_us: int) -> list[oracle.Pass]:
    return [one for one in found if one.is_over_in(start_us, end_us)]


def _going_on(found: list[oracle.Pass], until_us: int) -> list[oracle.Pass]:
    """Return those that were not over at an instant, less what came after it."""
    left = [one for one in found if one.start_us < until_us and not one.is_over_in(0, until_us)]
    return [
        replace(one, end_us=0, outcome="", is_whole=False, over_us=None, program=None, planned=None) for one in left
    ]
