"""Reasons that people give, on each store: they follow the ledger of now, whoever comes late or at the same time."""

import asyncio
from itertools import pairwise
from typing import Any

import pytest

from tests.contract.payloads import alarm, dumped, fastener, message, snapshot
from tests.contract.recording import CELL, NOW_US, TWIN, delivery, record
from tests.contract.stores import Stores
from tests.fakes.failing_store import FailingStore, once
from zoneledger.application.given import Questions, Told, read_history, read_questions
from zoneledger.application.giving import Giving, Kept, give, undo
from zoneledger.application.kpi import read_kpis
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Store
from zoneledger.application.stored import Revision
from zoneledger.application.timeline import read_timeline
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.errors import (
    AlreadyUndone,
    EntryUnknown,
    LevelWrong,
    ReasonUnknown,
    RoleUnknown,
    StoreUnavailable,
    UnitUnknown,
    WindowInvalid,
)
from zoneledger.core.plant import Cell, Line, Plant, ReasonChoice, Site, Unit
from zoneledger.core.validation import parse_instant

BEGIN_US = parse_instant("begin", "2026-11-25T06:00:00Z")
SECOND_US, DAY_US = 1_000_000, 86_400_000_000
CHOICES = (ReasonChoice("crane"), ReasonChoice("sensor", None, ("fault",)), ReasonChoice("break", None, ("idle",)))
LINE = Line("wing-1", cells=(Cell("cell-1", ("1", "2")), Cell("cell-2", ("1",))))
PLANT = Plant((Site("harbour", "Europe/Lisbon", (LINE,), CHOICES, ("shift-lead", "maintenance")),))
DECLARED = DeclaredPlant(1, PLANT, "", 0)
WINDOW = Window(BEGIN_US, BEGIN_US + 600 * SECOND_US)

#: Zone 1 is idle without a reason to 200, in fault to 300, waits for a panel to 400, and is idle without a reason to 600; zone 2 waits
#: all the time.
STORY = [
    snapshot(0, 0),
    message(1, 0, zone="2"),
    alarm("raise", "clamp", 2, 200, zone="1"),
    alarm("clear", "clamp", 3, 300, zone="1"),
    message(4, 300),
    message(5, 400, phase="end"),
    snapshot(5, 600, zones={"1": {}, "2": {"wait": "panel"}}),
]


def at(second: float) -> int:
    """Return the instant of a second of the story."""
    return BEGIN_US + round(second * SECOND_US)


def unit(path: str = CELL + "/1") -> Unit:
    """Return a unit of the plant, unless told zone 1."""
    found = PLANT.find(path)
    assert found
    return found


async def say(store: Store, start: float, end: float, reason: str | None = "crane", **fields: Any) -> Kept:
    """Give a reason over seconds of the story, unless told to zone 1 by a shift lead."""
    role, where = fields.pop("role", "shift-lead"), fields.pop("unit", unit())
    giving = Giving(at(start), at(end), reason, role, **fields)
    async with store.writing() as writing:
        return await give(writing, where, giving, NOW_US, Limits())


async def take_away(store: Store, number: int, role: str = "shift-lead", plant: DeclaredPlant = DECLARED) -> Kept:
    """Undo an entry."""
    async with store.writing() as writing:
        return await undo(writing, plant, number, role, None, NOW_US, Limits())


async def given_s(store: Store, path: str = CELL + "/1") -> dict[tuple[str, str, str], float]:
    """Return the seconds with a given reason of a unit over the story."""
    async with store.reading() as reading:
        [kpi] = await read_kpis(reading, unit(path), [WINDOW], NOW_US, Limits())
    assert sum(kpi.account.reasons.values()) == kpi.account.planned_us
    return {key: length_us / SECOND_US for key, length_us in kpi.account.given.items()}


async def history(store: Store, path: str = CELL, after: int = 0, limit: int = 99) -> list[Told]:
    async with store.reading() as reading:
        return await read_history(reading, unit(path), after, limit, NOW_US, Limits())


async def open_questions(store: Store, path: str = CELL + "/1", *states: str, limit: int = 99) -> Questions:
    async with store.reading() as reading:
        return await read_questions(
            reading, unit(path), WINDOW, states or ("idle",), 60 * SECOND_US, limit, NOW_US, Limits()
        )


async def causes(store: Store, unit_path: str, word: str = "reason") -> list[Revision]:
    """Return the changes of a unit whose cause has a word."""
    async with store.reading() as reading:
        rows = [one.row for one in await reading.revisions([unit_path], 0, 2**62, 0, None)]
    return [row for row in rows if word in row.cause]


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


async def test_of_two_that_undo_an_entry_at_once_one_is_told_that_it_is_done(
    store_url: str, told: Store, stores: Stores
) -> None:
    other = told if store_url == "memory" else await stores.open_another(store_url)
    kept = await say(told, 0, 200)
    answers = await asyncio.gather(take_away(told, kept.id), take_away(other, kept.id), return_exceptions=True)
    assert sorted(type(answer).__name__ for answer in answers) == ["AlreadyUndone", "Kept"]
    assert await given_s(told) == {}
    assert len(await history(told)) == 2


async def test_of_two_that_give_reasons_at_once_the_one_with_the_higher_number_holds(
    store_url: str, told: Store, stores: Stores
) -> None:
    other = told if store_url == "memory" else await stores.open_another(store_url)
    names = ["crane", "break"] * 5
    kept = await asyncio.gather(*(say(one, 0, 200, name) for one, name in zip([told, other] * 5, names, strict=True)))
    last = max(zip(kept, names, strict=True), key=lambda pair: pair[0].id)[1]
    assert await given_s(told) == {("idle", "unexplained", last): 200}
    ordered = [name for _, name in sorted(zip(kept, names, strict=True), key=lambda pair: pair[0].id)]
    changes = 1 + sum(one != another for one, another in pairwise(ordered))
    assert len(await causes(told, CELL + "/1")) == changes


async def test_a_reason_given_while_messages_come_in_is_counted_once_whatever_is_first(
    store_url: str, store: Store, stores: Stores
) -> None:
    other = store if store_url == "memory" else await stores.open_another(store_url)
    await record(store, [delivery(dumped(snapshot(0, 0), snapshot(0, 300)))], PLANT)

    async def tell() -> None:
        for second in range(1, 30):
            told_late = [fastener(2 * second - 1, second), fastener(2 * second, second)]
            await record(other, [delivery(dumped(*told_late))], PLANT)

    await asyncio.gather(tell(), *(say(store, 0, 300, reason) for reason in ("crane", "break") * 5))
    assert sum((await given_s(store)).values()) > 0
    assert len(await history(store)) == 10
    assert sum(one.decides_us or 0 for one in await history(store)) / SECOND_US == sum((await given_s(store)).values())


async def test_an_entry_whose_commit_fails_is_not_kept_and_revises_nothing(told: Store) -> None:
    failing = FailingStore(told, once("commit", StoreUnavailable("gone")))
    with pytest.raises(StoreUnavailable):
        await say(failing, 0, 200)
    assert (await history(told), await given_s(told), await causes(told, CELL + "/1")) == ([], {}, [])


async def test_a_reason_for_a_cell_that_never_sent_anything_is_kept_without_effect_and_makes_no_cell(
    store: Store,
) -> None:
    kept = await say(store, 0, 600, unit=unit(TWIN))
    assert kept.decides_us == 0
    async with store.reading() as reading:
        assert await reading.cells() == []
    assert [one.decides_us for one in await history(store, TWIN)] == [0]


async def test_the_history_is_paged_and_holds_all_below_a_unit(told: Store) -> None:
    numbers = [
        (await say(told, 0, 100, unit=unit(path))).id for path in (CELL, CELL + "/1", CELL + "/2", TWIN, TWIN + "/1")
    ]
    assert [one.entry.id for one in await history(told, "harbour")] == numbers
    assert [one.entry.id for one in await history(told, CELL)] == numbers[:3]
    assert [one.entry.id for one in await history(told, CELL + "/2")] == numbers[2:3]
    assert [one.entry.id for one in await history(told, "harbour/wing-1", numbers[0], 2)] == numbers[1:3]


REFUSED: list[tuple[dict[str, Any], type[Exception], str]] = [
    ({"unit": unit("harbour/wing-1")}, LevelWrong, "a line"),
    ({"unit": unit("harbour")}, LevelWrong, "a site"),
    ({"role": "visitor"}, RoleUnknown, "shift-lead, maintenance"),
    ({"reason": "weather"}, ReasonUnknown, "crane, sensor, break"),
    ({"start": 200, "end": 200}, WindowInvalid, "after the start"),
    ({"start": 201, "end": 200}, WindowInvalid, "after the start"),
    ({"start": 0, "end": (NOW_US + 1 - BEGIN_US) / SECOND_US}, WindowInvalid, "not lie after now"),
    ({"start": -31 * 86_400, "end": 0.000001}, WindowInvalid, "31 days"),
]


@pytest.mark.parametrize(("wrong", "error", "sentence"), REFUSED, ids=lambda value: str(value)[:40])
async def test_what_is_wrong_is_refused_with_what_would_be_right(
    told: Store, wrong: dict[str, Any], error: type[Exception], sentence: str
) -> None:
    with pytest.raises(error, match=sentence):
        await say(told, **({"start": 0, "end": 200} | wrong))
    assert await history(told, "harbour") == []


async def test_time_up_to_this_instant_and_31_days_are_taken(told: Store) -> None:
    await say(told, 0, (NOW_US - BEGIN_US) / SECOND_US)
    await say(told, -31 * 86_400, 0)
    assert len(await history(told)) == 2


async def test_an_undo_of_what_is_not_there_by_whom_it_may_not_be_or_of_a_unit_that_is_gone_is_refused(
    told: Store,
) -> None:
    kept = await say(told, 0, 200)
    with pytest.raises(EntryUnknown):
        await take_away(told, kept.id + 1)
    with pytest.raises(RoleUnknown):
        await take_away(told, kept.id, "visitor")
    gone = DeclaredPlant(2, Plant(), "", 0)
    with pytest.raises(UnitUnknown):
        await take_away(told, kept.id, plant=gone)
    assert len(await history(told)) == 1


async def test_a_reason_that_is_declared_no_more_still_holds_for_the_states_for_which_it_was_said(told: Store) -> None:
    """Figures do not depend on the plant model's reasons of now: they would change without a revision."""
    await say(told, 0, 600, "sensor")
    before = await given_s(told)
    assert before == {("fault", "clamp", "sensor"): 100}
    async with told.reading() as reading:
        bare = Plant((Site("harbour", "Europe/Lisbon", (LINE,)),)).find(CELL + "/1")
        assert bare
        [kpi] = await read_kpis(reading, bare, [WINDOW], NOW_US, Limits())
    assert {key: us / SECOND_US for key, us in kpi.account.given.items()} == before
