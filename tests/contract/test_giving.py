"""Reasons that people give, on each store: what they change, and that they follow the ledger of now."""

import pytest

from tests.contract.payloads import dumped, message, snapshot
from tests.contract.recording import CELL, NOW_US, TWIN, delivery, record
from tests.contract.saying import (
    BEGIN_US,
    PLANT,
    SECOND_US,
    STORY,
    WINDOW,
    at,
    causes,
    given_s,
    history,
    open_questions,
    say,
    take_away,
    unit,
)
from zoneledger.application.given import Questions
from zoneledger.application.kpi import read_kpis
from zoneledger.application.ports import Store
from zoneledger.application.stored import Revision
from zoneledger.application.timeline import read_timeline
from zoneledger.core.booking import Limits
from zoneledger.core.errors import (
    AlreadyUndone,
)


@pytest.fixture
async def told(store: Store) -> Store:
    """A store that knows the story of the cell."""
    await record(store, [delivery(dumped(*STORY))], PLANT)
    return store


async def test_a_reason_counts_where_the_machine_has_none_and_in_faults_and_nowhere_else(told: Store) -> None:
    kept = await say(told, 100, 500)
    assert kept.decides_us == 300 * SECOND_US
    assert await given_s(told) == {("idle", "unexplained", "crane"): 200, ("fault", "clamp", "crane"): 100}


async def test_a_reason_for_faults_only_leaves_idle_time_alone(told: Store) -> None:
    await say(told, 0, 600, "sensor")
    assert await given_s(told) == {("fault", "clamp", "sensor"): 100}
    await say(told, 0, 600, "break")
    assert await given_s(told) == {("fault", "clamp", "sensor"): 100, ("idle", "unexplained", "break"): 400}


async def test_later_entries_win_instant_by_instant_and_null_takes_back(told: Store) -> None:
    await say(told, 0, 200)
    await say(told, 100, 250, "break")
    await say(told, 150, 160, None)
    assert await given_s(told) == {("idle", "unexplained", "crane"): 100, ("idle", "unexplained", "break"): 90}
    decides = [one.decides_us for one in await history(told)]
    assert decides == [100 * SECOND_US, 90 * SECOND_US, 10 * SECOND_US]


async def test_a_reason_of_a_cell_is_the_cells_own_and_one_of_a_zone_the_zones(told: Store) -> None:
    """Zone 1 is in fault from 200 to 300, and so is the cell; else the cell is idle, as zone 1 is, the first by name."""
    await say(told, 0, 600, unit=unit(CELL))
    assert await given_s(told, CELL) == {("idle", "unexplained", "crane"): 400, ("fault", "clamp", "crane"): 100}
    assert await given_s(told) == {}
    await say(told, 0, 600, "break")
    assert await given_s(told) == {("idle", "unexplained", "break"): 400}
    assert await given_s(told, CELL + "/2") == {}
    line = {("idle", "unexplained", "crane"): 400.0, ("fault", "clamp", "crane"): 100.0}
    assert await given_s(told, CELL) == await given_s(told, "harbour/wing-1") == await given_s(told, "harbour") == line


async def test_the_timeline_is_split_and_keeps_the_machines_reason(told: Store) -> None:
    kept = await say(told, 100, 250)
    async with told.reading() as reading:
        pieces = (await read_timeline(reading, unit(), WINDOW, NOW_US, Limits()))[CELL + "/1"]
    shown = [((p.start_us - BEGIN_US) // SECOND_US, p.state, p.reason, p.entry.id if p.entry else None) for p in pieces]
    assert shown == [
        (0, "idle", "unexplained", None),
        (100, "idle", "unexplained", kept.id),
        (200, "fault", "clamp", kept.id),
        (250, "fault", "clamp", None),
        (300, "idle", "panel", None),
        (400, "idle", "unexplained", None),
    ]


async def test_an_entry_is_undone_and_undoing_that_brings_it_back(told: Store) -> None:
    first = await say(told, 0, 200)
    second = await say(told, 0, 200, "break")
    before = await given_s(told)
    undone = await take_away(told, second.id, "maintenance")
    assert undone.decides_us is None
    assert await given_s(told) == {("idle", "unexplained", "crane"): 200}
    assert [one.stands for one in await history(told)] == [True, False, True]
    again = await take_away(told, undone.id)
    assert await given_s(told) == before
    entries = await history(told)
    assert [one.entry.id for one in entries] == [first.id, second.id, undone.id, again.id]
    assert [one.stands for one in entries] == [True, True, False, True]
    assert [one.decides_us for one in entries] == [0, 200 * SECOND_US, None, None]
    assert [one.entry.row.undoes for one in entries] == [None, None, second.id, undone.id]


async def test_what_is_undone_is_not_undone_again(told: Store) -> None:
    kept = await say(told, 0, 200)
    await take_away(told, kept.id)
    with pytest.raises(AlreadyUndone):
        await take_away(told, kept.id)
    assert len(await history(told)) == 2


async def test_each_entry_that_changes_figures_raises_the_revision_of_its_unit(told: Store) -> None:
    await say(told, 100, 250)
    assert await causes(told, CELL + "/1") == [
        Revision(CELL + "/1", at(100), at(250), NOW_US, "reason given by shift-lead")
    ]
    await say(told, 100, 250)  # the same again changes nothing
    await say(told, 300, 400)  # the machine's own reason stays there
    assert len(await causes(told, CELL + "/1")) == 1
    kept = await say(told, 200, 600, None, role="maintenance")
    await take_away(told, kept.id)
    assert [(row.from_us, row.to_us, row.cause) for row in await causes(told, CELL + "/1")][1:] == [
        (at(200), at(250), "reason taken back by maintenance"),
        (at(200), at(250), "given reason undone by shift-lead"),
    ]
    assert await causes(told, CELL) == []
    await say(told, 0, 600, unit=unit(CELL))
    assert [row.unit for row in await causes(told, CELL)] == [CELL]


async def test_the_figures_that_a_reason_bears_on_say_so(told: Store) -> None:
    async def revisions() -> dict[str, int]:
        paths = ["harbour", "harbour/wing-1", CELL, CELL + "/1", CELL + "/2", TWIN]
        async with told.reading() as reading:
            read = [await read_kpis(reading, unit(path), [WINDOW], NOW_US, Limits()) for path in paths]
        return {path: kpi.revision for path, [kpi] in zip(paths, read, strict=True)}

    before = await revisions()
    await say(told, 0, 200)
    after = await revisions()
    assert {path for path in after if after[path] > before[path]} == {CELL + "/1"}
    await say(told, 0, 200, unit=unit(CELL))
    last = await revisions()
    assert {path for path in last if last[path] > after[path]} == {
        "harbour",
        "harbour/wing-1",
        CELL,
        CELL + "/1",
        CELL + "/2",
    }


async def test_late_evidence_takes_a_reasons_effect_away_and_gives_it_back(store: Store) -> None:
    """The fault of the story comes late: until then zone 1 was unknown from 0 on."""
    late = [one for one in STORY if one["seq"] in (2, 3)]
    await record(store, [delivery(dumped(*(one for one in STORY if one not in late)))], PLANT)
    kept = await say(store, 0, 350)
    assert (kept.decides_us, await given_s(store), await causes(store, CELL + "/1")) == (0, {}, [])
    await record(store, [delivery(dumped(*late))], PLANT)
    assert await given_s(store) == {("idle", "unexplained", "crane"): 200, ("fault", "clamp", "crane"): 100}
    assert (await history(store))[0].decides_us == 300 * SECOND_US
    assert await causes(store, CELL, "late messages")


async def test_late_evidence_that_explains_the_time_wins_and_the_entry_is_kept(store: Store) -> None:
    """Half a minute after the last message counts as idle until a message tells what was in it."""
    await record(store, [delivery(dumped(snapshot(0, 0), snapshot(0, 300)))], PLANT)
    await say(store, 0, 330)
    assert await given_s(store) == {("idle", "unexplained", "crane"): 330}
    told_late = [message(1, 310), message(2, 320, phase="end"), snapshot(2, 400)]
    await record(store, [delivery(dumped(*told_late))], PLANT)
    assert await given_s(store) == {("idle", "unexplained", "crane"): 320}
    [entry] = await history(store)
    assert (entry.stands, entry.decides_us) == (True, 320 * SECOND_US)
    assert (entry.entry.row.start_us, entry.entry.row.end_us) == (at(0), at(330))


async def test_open_questions_are_ranked_by_length_and_shrink_as_they_are_answered(told: Store) -> None:
    def shown(found: Questions) -> list[tuple[str, float, float, str | None]]:
        return [
            (
                one.unit,
                (one.span.start_us - BEGIN_US) / SECOND_US,
                (one.span.end_us - BEGIN_US) / SECOND_US,
                one.span.reason,
            )
            for one in found.longest
        ]

    zone = CELL + "/1"
    assert shown(await open_questions(told)) == [(zone, 0, 200, "unexplained"), (zone, 400, 600, "unexplained")]
    await say(told, 0, 110)
    assert shown(await open_questions(told)) == [(zone, 400, 600, "unexplained"), (zone, 110, 200, "unexplained")]
    await say(told, 450, 560, "break")
    read = await open_questions(told, zone, "idle", "fault", limit=1)
    assert (shown(read), read.number, read.total_us) == ([(zone, 200, 300, "clamp")], 2, 190 * SECOND_US)
    assert [one.unit for one in (await open_questions(told, "harbour", "fault")).longest] == [CELL]
    assert (await open_questions(told, CELL + "/2")).number == 0
