"""The keyring on every store: keys and sessions, their ends and last uses, and the audit log."""

import asyncio

import pytest
from sqlalchemy import select

from tests.contract.rows import TEXTS
from tests.contract.stores import Stores
from zoneledger.application.callers import Callers
from zoneledger.application.keyring import AuditRow, KeyRow
from zoneledger.application.keys import bearer_of_key, create_key
from zoneledger.application.ports import Store
from zoneledger.core.callers import Scope
from zoneledger.core.errors import NotAuthenticated
from zoneledger.storage.engines import transaction
from zoneledger.storage.tables import metadata

KEY = KeyRow("0a", "key", "dashboard", "ff", "read ingest", None, 10, 20)
ENTRY = AuditRow(5, "login", "dashboard (key)", "192.0.2.7", "session 0b")


async def _add(store: Store, *rows: KeyRow) -> None:
    async with store.writing() as writing:
        for row in rows:
            await writing.add_key(row)


async def _key(store: Store, id: str) -> KeyRow | None:
    async with store.reading() as reading:
        return await reading.key(id)


async def test_a_key_is_found_by_its_id_as_it_was_made(store: Store) -> None:
    rows = [KEY._replace(id=str(i), name=text, units=text) for i, text in enumerate(TEXTS)]
    rows.append(KEY._replace(id="all", units=None))
    rows.append(KEY._replace(id="none", units="", root="0a", revoked_us=1, used_us=2**53))
    await _add(store, *rows)
    assert [await _key(store, row.id) for row in rows] == rows
    assert await _key(store, "") is None
    assert await _key(store, "ALL") is None


async def test_keys_and_sessions_are_listed_apart_as_they_were_made(store: Store) -> None:
    rows = [KEY._replace(id=id, created_us=us) for id, us in (("c", 1), ("a", 3), ("b", 1))]
    session = KEY._replace(id="s", kind="session", root="a")
    await _add(store, *rows, session)
    async with store.reading() as reading:
        assert [row.id for row in await reading.keys("key")] == ["b", "c", "a"]
        assert await reading.keys("session") == [session]


async def test_no_two_keys_have_one_id(store: Store) -> None:
    await _add(store, KEY)
    with pytest.raises(Exception, match=r"(?i)unique|already"):
        await _add(store, KEY._replace(name="other"))
    assert await _key(store, "0a") == KEY


async def test_a_key_is_revoked_once(store: Store) -> None:
    await _add(store, KEY, KEY._replace(id="0b"))
    async with store.writing() as writing:
        assert await writing.revoke_key("0a", 15)
    async with store.writing() as writing:
        assert not await writing.revoke_key("0a", 16)
        assert not await writing.revoke_key("nobody's", 16)
    assert await _key(store, "0a") == KEY._replace(revoked_us=15)
    assert await _key(store, "0b") == KEY._replace(id="0b")


async def test_of_many_that_revoke_a_key_at_once_one_does(store_url: str, store: Store, stores: Stores) -> None:
    await _add(store, KEY)
    other = store if store_url == "memory" else await stores.open_another(store_url)

    async def revoke(one: Store, at_us: int) -> bool:
        async with one.writing() as writing:
            return await writing.revoke_key("0a", at_us)

    revoked = await asyncio.wait_for(asyncio.gather(*(revoke(one, i) for i, one in enumerate([store, other] * 5))), 60)
    assert sum(revoked) == 1


async def test_when_keys_were_used_is_kept(store: Store) -> None:
    await _add(store, KEY, KEY._replace(id="0b"))
    async with store.writing() as writing:
        await writing.use_keys({"0b": 12, "gone": 13, "0a": 11})
        await writing.use_keys({})
    async with store.reading() as reading:
        assert [(row.id, row.used_us) for row in await reading.keys("key")] == [("0a", 11), ("0b", 12)]


async def test_sessions_that_were_over_are_forgotten_and_no_key_is(store: Store) -> None:
    sessions = [KEY._replace(id=f"s{us}", kind="session", expires_us=us) for us in range(5)]
    await _add(store, KEY._replace(expires_us=0), *sessions)
    is_done = False
    while not is_done:
        async with store.writing() as writing:
            is_done = await writing.forget_sessions(3, 2)
    async with store.reading() as reading:
        assert [row.id for row in await reading.keys("session")] == ["s3", "s4"]
        assert len(await reading.keys("key")) == 1


async def test_the_audit_log_is_read_page_by_page(store: Store) -> None:
    rows = [ENTRY._replace(at_us=len(TEXTS) - i, detail=text) for i, text in enumerate(TEXTS)]
    async with store.writing() as writing:
        await writing.add_audit(rows[:3])
        await writing.add_audit([])
    async with store.writing() as writing:
        await writing.add_audit(rows[3:])
    async with store.reading() as reading:
        first = await reading.audit(0, 4)
        rest = await reading.audit(first[-1].id, 100)
        assert [one.row for one in first + rest] == rows
        assert await reading.audit(rest[-1].id, 100) == []


async def test_entries_that_are_too_old_are_forgotten(store: Store) -> None:
    async with store.writing() as writing:
        await writing.add_audit([ENTRY._replace(at_us=us) for us in (7, 1, 5, 2, 3)])
    is_done = False
    while not is_done:
        async with store.writing() as writing:
            is_done = await writing.forget_audit(5, 2)
    async with store.reading() as reading:
        assert [one.row.at_us for one in await reading.audit(0, 9)] == [7, 5]


async def test_no_secret_is_kept_or_logged(
    store_url: str, store: Store, stores: Stores, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG")
    callers = Callers(store, lambda: 10, required=True)
    bearer = bearer_of_key("dashboard", [Scope.ADMIN], [])
    sent = []
    for number in range(20):
        _, key = await create_key(store, bearer, 1, 10, "somebody", "command line")
        session = await callers.open_session(key, "192.0.2.7")
        guess = key[:-1] + ("A" if key[-1] != "A" else "E")
        await callers.caller(session.token, "192.0.2.7")
        for wrong in (guess, f"token.{number}.{key}"):
            with pytest.raises(NotAuthenticated):
                await callers.caller(wrong, "192.0.2.7")
        await callers.close_session(session.token)
        sent += [key, session.token, guess]
    task = asyncio.create_task(callers.run())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait([task])
    written = caplog.text + await _all_of(store_url, store, stores)
    assert "40 x This key, token or session is not known." in written
    found = [one for one in sent if one in written or one.split("_", 2)[2] in written]
    assert (found, len(set(sent))) == ([], 60)


async def _all_of(store_url: str, store: Store, stores: Stores) -> str:
    """Return all that a store holds, as text."""
    if store_url == "memory":
        return str(vars(store))
    async with transaction(stores.engines[store_url].read) as connection:
        rows = [str((await connection.execute(select(table))).all()) for table in metadata.sorted_tables]
    return "\n".join(rows)
