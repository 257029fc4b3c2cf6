"""The audit log: some entries at once, refusals by the minute, nothing lost while the database is away for a while."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from tests.fakes.memory_store import MemoryStore
from zoneledger.application.audit import LOGIN, MOST_ADDRESSES, MOST_CAUSES, OTHERS, PLANT, REFUSED
from zoneledger.application.audit_log import FORGET_US, KEEP_DAYS, MOST_LATE, AuditLog
from zoneledger.application.callers import Callers
from zoneledger.application.keyring import AuditRow, KeyRow
from zoneledger.application.keys import bearer_of_key, create_key
from zoneledger.application.ports import Writing
from zoneledger.core.calendar import DAY_US
from zoneledger.core.callers import EVERYONE, Caller, Scope
from zoneledger.core.errors import NotAuthenticated, StoreUnavailable

ADDRESS = "192.0.2.7"
DASHBOARD = Caller("dashboard", frozenset({Scope.READ}), None, "key")


class _Clock:
    now_us = 1_795_600_000_000_000

    def __call__(self) -> int:
        return self.now_us


class _AwayStore(MemoryStore):
    """A store in memory that takes nothing in while it is away, and commits nothing while it is going away."""

    is_away = goes_away = False

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        if self.is_away:
            raise StoreUnavailable("the database does not answer")
        async with super().writing() as writing:
            yield writing
            if self.goes_away:
                raise StoreUnavailable("the connection was lost")


@pytest.fixture
def clock() -> _Clock:
    return _Clock()


@pytest.fixture
def store() -> _AwayStore:
    return _AwayStore()


@pytest.fixture
def callers(store: _AwayStore, clock: _Clock) -> Callers:
    return Callers(store, clock, required=True)


async def _entries(store: MemoryStore) -> list[AuditRow]:
    async with store.reading() as reading:
        return [one.row for one in await reading.audit(0, 10_000)]


async def _run_to_its_end(callers: Callers) -> None:
    task = asyncio.create_task(callers.run())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])


async def _guess(callers: Callers, wrong: str | None, address: str = ADDRESS) -> None:
    with pytest.raises(NotAuthenticated):
        await callers.caller(wrong, address)


async def test_what_is_noted_is_written_at_once_with_who_it_was(
    store: _AwayStore, callers: Callers, clock: _Clock
) -> None:
    await callers.note(PLANT, DASHBOARD, ADDRESS, "version 3")
    await callers.note(PLANT, EVERYONE, "", "version 4")
    assert await _entries(store) == [
        AuditRow(clock.now_us, PLANT, "dashboard (key)", ADDRESS, "version 3"),
        AuditRow(clock.now_us, PLANT, "open", "", "version 4"),
    ]


async def test_a_subject_that_an_issuer_names_as_a_key_is_told_apart(store: _AwayStore, callers: Callers) -> None:
    for origin in ("key", "token", "session"):
        await callers.note(PLANT, Caller("dashboard", frozenset(), None, origin), ADDRESS, "")
    assert len({row.who for row in await _entries(store)}) == 3


async def test_text_of_any_origin_is_told_on_one_line(store: _AwayStore, callers: Callers) -> None:
    await callers.note(PLANT, EVERYONE, "1.2.3.4\n" + "x" * 999, "a\x00b\x1b[2J\ud800" + "y" * 9999)
    (row,) = await _entries(store)
    assert row.address == "1.2.3.4?" + "x" * 56
    assert row.detail == "a?b?[2J?" + "y" * 992


async def test_guesses_are_an_entry_an_address_and_not_one_each(store: _AwayStore, callers: Callers) -> None:
    for _ in range(1000):
        await _guess(callers, "zl_x")
        await _guess(callers, None)
    await _guess(callers, "zl_x", "192.0.2.8")
    assert await _entries(store) == []
    await _run_to_its_end(callers)
    entries = await _entries(store)
    assert [(row.what, row.who, row.address, row.detail[:8]) for row in entries] == [
        (REFUSED, "", ADDRESS, "1,000 x "),
        (REFUSED, "", "192.0.2.8", "1 x This"),
    ]
    assert entries[0].detail.count("1,000 x ") == 2
    await _run_to_its_end(callers)
    assert await _entries(store) == entries


async def test_what_a_caller_may_not_is_counted_by_caller(store: _AwayStore, callers: Callers) -> None:
    for _ in range(3):
        await callers.note(REFUSED, DASHBOARD, ADDRESS, "may not change the plant")
    await _run_to_its_end(callers)
    assert [row[2:] for row in await _entries(store)] == [("dashboard (key)", ADDRESS, "3 x may not change the plant")]


async def test_many_addresses_and_causes_are_counted_together(store: _AwayStore, callers: Callers) -> None:
    for number in range(MOST_ADDRESSES + 200):
        await _guess(callers, None, f"2001:db8::{number:x}")
    for number in range(MOST_CAUSES + 5):
        await callers.note(REFUSED, EVERYONE, "2001:db8::0", f"cause {number}")
        await callers.note(REFUSED, DASHBOARD, ADDRESS, f"cause {number}")
    await _run_to_its_end(callers)
    entries = await _entries(store)
    assert len(entries) == MOST_ADDRESSES + 1
    assert [row.address for row in entries][-1] == OTHERS
    assert entries[-1].detail.startswith("200 x ")
    assert sum(int(row.detail.split()[0]) for row in entries[:-1]) == MOST_ADDRESSES
    assert "for other causes" in entries[-1].detail


async def test_the_first_refusal_of_an_address_is_logged_at_once(
    callers: Callers, caplog: pytest.LogCaptureFixture
) -> None:
    for _ in range(5):
        await _guess(callers, None)
    assert [one.getMessage().split(":")[0] for one in caplog.records] == [f"refused from {ADDRESS}"]


async def test_a_login_and_a_logout_are_entries(store: _AwayStore, callers: Callers, clock: _Clock) -> None:
    _, key = await create_key(
        store, bearer_of_key("dashboard", [Scope.READ], []), 9, clock.now_us, "me", "command line"
    )
    session = await callers.open_session(key, ADDRESS)
    await callers.close_session(session.token, ADDRESS)
    await callers.close_session(session.token, ADDRESS)
    id, other = key.split("_")[1], session.token.split("_")[1]
    await callers.revoke(id, "me", "command line")
    await callers.revoke(id, "me", "command line")
    assert [tuple(row[1:]) for row in await _entries(store)] == [
        ("key", "me", "command line", f"created {id} for dashboard: read over all units, for 9 days"),
        (LOGIN, "dashboard (key)", ADDRESS, f"session {other}"),
        ("logout", "dashboard (session)", ADDRESS, f"session {other}"),
        ("key", "me", "command line", f"revoked {id} of dashboard"),
    ]


async def test_entries_wait_while_the_database_is_away(store: _AwayStore, callers: Callers) -> None:
    store.is_away = True
    await callers.note(PLANT, EVERYONE, ADDRESS, "version 3")
    await _guess(callers, "zl_x")
    await _run_to_its_end(callers)
    store.is_away = False
    assert await _entries(store) == []
    await callers.note(PLANT, EVERYONE, ADDRESS, "version 4")
    assert [(row.what, row.detail[:9]) for row in await _entries(store)] == [
        (PLANT, "version 3"),
        (REFUSED, "1 x This "),
        (PLANT, "version 4"),
    ]


async def test_no_more_entries_wait_than_memory_should_hold(store: _AwayStore, callers: Callers) -> None:
    store.is_away = True
    for number in range(MOST_LATE + 50):
        await callers.note(PLANT, EVERYONE, ADDRESS, f"version {number}")
    store.is_away = False
    await _run_to_its_end(callers)
    entries = await _entries(store)
    assert (len(entries), entries[-1].detail) == (MOST_LATE, f"version {MOST_LATE + 49}")


async def test_when_a_key_was_used_is_written_by_the_minute_and_not_by_the_request(
    store: _AwayStore, callers: Callers, clock: _Clock
) -> None:
    row, key = await create_key(store, bearer_of_key("dashboard", [Scope.READ], []), 9, clock.now_us, "me", "here")

    async def used_us() -> int | None:
        async with store.reading() as reading:
            found = await reading.key(row.id)
        return found.used_us if found else None

    clock.now_us += 5
    assert await callers.caller(key, ADDRESS)
    assert await used_us() is None
    await _run_to_its_end(callers)
    assert await used_us() == clock.now_us


async def test_when_a_key_was_used_waits_while_the_database_is_away(store: _AwayStore, clock: _Clock) -> None:
    log = AuditLog(store, clock, reads_only=False)
    row, _ = await create_key(store, bearer_of_key("dashboard", [Scope.READ], []), 9, clock.now_us, "me", "here")
    log.used(row.id, clock.now_us + 1)
    store.is_away = True
    with pytest.raises(StoreUnavailable):
        await log.write()
    store.is_away = False
    await log.write()
    async with store.reading() as reading:
        assert await reading.key(row.id) == row._replace(used_us=clock.now_us + 1)


async def test_only_what_was_committed_is_logged(
    store: _AwayStore, callers: Callers, clock: _Clock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    row, key = await create_key(store, bearer_of_key("dashboard", [Scope.READ], []), 9, clock.now_us, "me", "here")
    session = await callers.open_session(key, ADDRESS)
    assert [one.getMessage().split()[1] for one in caplog.records] == ["key", "login"]
    caplog.clear()
    store.goes_away = True
    for change in (
        create_key(store, DASHBOARD, 9, clock.now_us, "me", "here"),
        callers.open_session(key, ADDRESS),
        callers.close_session(session.token, ADDRESS),
        callers.revoke(row.id, "me", "here"),
    ):
        with pytest.raises(StoreUnavailable):
            await change
    assert caplog.records == []


async def test_what_is_too_old_is_forgotten_once_an_hour(store: _AwayStore, clock: _Clock) -> None:
    log = AuditLog(store, clock, reads_only=False)
    old = clock.now_us - KEEP_DAYS * DAY_US
    session = KeyRow("a", "session", "x", "ff", "read", None, 1, clock.now_us - DAY_US)
    async with store.writing() as writing:
        await writing.add_audit([AuditRow(old, PLANT, "", "", ""), AuditRow(old + FORGET_US, PLANT, "", "", "")])
        await writing.add_key(session)
        await writing.add_key(session._replace(id="b", expires_us=clock.now_us - DAY_US + FORGET_US))
    clock.now_us += FORGET_US - 1
    assert await log.write()
    assert len(await _entries(store)) == 2
    clock.now_us += 1
    assert await log.write()
    async with store.reading() as reading:
        assert [row.id for row in await reading.keys("session")] == ["b"]
    assert [row.at_us for row in await _entries(store)] == [old + FORGET_US]


async def test_a_process_that_only_reads_writes_nothing(store: _AwayStore, clock: _Clock) -> None:
    _, key = await create_key(store, bearer_of_key("x", [Scope.READ], []), 9, clock.now_us, "me", "here")
    callers, before = Callers(store, clock, required=True, reads_only=True), str(vars(store)["_state"])
    store.is_away = True
    assert await callers.caller(key, ADDRESS)
    await _guess(callers, None)
    await callers.note(PLANT, EVERYONE, ADDRESS, "version 3")
    clock.now_us += 2 * FORGET_US
    await _run_to_its_end(callers)
    assert str(vars(store)["_state"]) == before


async def test_a_key_that_is_read_while_it_is_revoked_is_not_remembered(clock: _Clock) -> None:
    store = MemoryStore()
    callers = Callers(store, clock, required=True)
    row, key = await create_key(store, bearer_of_key("x", [Scope.READ], []), 9, clock.now_us, "me", "here")
    reading = store.reading

    def revoked_meanwhile() -> Any:
        return _Between(reading(), callers, row.id)

    store.reading = revoked_meanwhile  # type: ignore[method-assign]
    assert await callers.caller(key, ADDRESS)  # as it was read before
    store.reading = reading  # type: ignore[method-assign]
    with pytest.raises(NotAuthenticated, match="was revoked"):
        await callers.caller(key, ADDRESS)


class _Between:
    """A look at the store after which, and before it is told, a key is revoked."""

    def __init__(self, look: Any, callers: Callers, id: str) -> None:
        self._look, self._callers, self._id = look, callers, id

    async def __aenter__(self) -> Any:
        return await self._look.__aenter__()

    async def __aexit__(self, *error: Any) -> None:
        await self._look.__aexit__(*error)
        await self._callers.revoke(self._id, "me", "here")
