"""Reasons that are given at the same time, that fail, or that nobody may give, on each store."""

import asyncio
from itertools import pairwise
from typing import Any

import pytest

from tests.contract.payloads import dumped, fastener, snapshot
from tests.contract.recording import CELL, NOW_US, TWIN, delivery, record
from tests.contract.saying import (
    BEGIN_US,
    LINE,
    PLANT,
    SECOND_US,
    STORY,
    WINDOW,
    causes,
    given_s,
    history,
    say,
    take_away,
    unit,
)
from tests.contract.stores import Stores
from tests.fakes.failing_store import FailingStore, once
from zoneledger.application.kpi import read_kpis
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Store
from zoneledger.core.booking import Limits
from zoneledger.core.errors import (
    EntryUnknown,
    LevelWrong,
    ReasonUnknown,
    RoleUnknown,
    StoreUnavailable,
    UnitUnknown,
    WindowInvalid,
)
from zoneledger.core.plant import Plant, Site


@pytest.fixture
async def told(store: Store) -> Store:
    """A store that knows the story of the cell."""
    await record(store, [delivery(dumped(*STORY))], PLANT)
    return store


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
