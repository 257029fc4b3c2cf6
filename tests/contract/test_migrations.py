"""Migrations on both databases: to this program's schema and back, twice, at once, and never over a newer one."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, inspect, select, text

from tests.contract.rows import (
    A,
    B,
    activity,
    alarm,
    discrepancy,
    event,
    fastener,
    gap,
    refused,
    revision,
    said,
    span,
    verdict,
)
from tests.contract.stores import Stores
from zoneledger.application.keyring import AuditRow, KeyRow
from zoneledger.application.ports import Store
from zoneledger.application.stored import Checkpoint, Presum, ProofRow, SnapshotRow
from zoneledger.core.booking import FOLD
from zoneledger.core.errors import SchemaMismatch
from zoneledger.core.rows import Booked
from zoneledger.storage.engines import open_engines, transaction
from zoneledger.storage.schema import migrate
from zoneledger.storage.tables import metadata


async def _ask(url: str, question: Any) -> Any:
    engines = open_engines(url)
    try:
        async with transaction(engines.write) as connection:
            return await connection.run_sync(question)
    finally:
        await engines.dispose()


def _differences(connection: Connection) -> Any:
    context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
    return compare_metadata(context, metadata)


def _tables(connection: Connection) -> list[str]:
    return sorted(inspect(connection).get_table_names())


def _contents(connection: Connection) -> dict[str, list[Any]]:
    return {table.name: [tuple(row) for row in connection.execute(select(table))] for table in metadata.sorted_tables}


async def _fill(url: str, stores: Stores) -> None:
    """Put a row into every table but those of given reasons and acceptance runs, with which nobody may go back."""
    store = await stores.open(url)
    async with store.writing() as writing:
        await writing.add_plant("{}", 1)
        head = (await writing.lock_heads([A]))[A]
        cell_id, ledger_id = head.cell_id, head.ledger_id
        await writing.add_events([event(cell_id, 1, 1)])
        await writing.add_snapshots([SnapshotRow(cell_id, 1, 1, 2, "{}")])
        await writing.put_checkpoints([(ledger_id, Checkpoint(1, 1, "[]"))])
        rows = Booked([span("1", 0, 1)], [fastener(1)], [verdict(2, "p", "1")], [gap(2)], [discrepancy(1)])
        rows.activities, rows.alarms = [activity(3)], [alarm(4)]
        await writing.add_booked([(ledger_id, rows)])
        await writing.add_refused([refused()])
        await writing.add_revisions([revision(A, 0, 1)])
        await writing.put_presums([Presum("harbour/wing-1", A, 1, 2, "[]")])
        await writing.take_lease("listen", "a process", 1_000_000)
        await writing.add_key(KeyRow("0a", "key", "dashboard", "ff", "read", None, 1, 2))
        await writing.add_audit([AuditRow(1, "key", "somebody", "command line", "created 0a")])


async def _say(store: Store) -> None:
    async with store.writing() as writing:
        number = await writing.add_given(said())
        await writing.add_given(said(reason=None, undoes=number))


async def _declare(store: Store) -> None:
    async with store.writing() as writing:
        await writing.add_proof(ProofRow(A, 1, 2, "{}", 3))


async def _join(store: Store) -> None:
    cells = [{"cell": "cell-1", "zones": ["1"], "since": "2026-11-26"}]
    async with store.writing() as writing:
        await writing.add_plant(
            json.dumps({"sites": [{"site": "quay", "lines": [{"line": "line-1", "cells": cells}]}]}), 2
        )


def _filled(contents: dict[str, list[Any]]) -> set[str]:
    return {name for name, rows in contents.items() if rows}


async def test_an_empty_database_gets_exactly_the_schema_of_the_tables(sql_url: str) -> None:
    await migrate(sql_url)
    assert await _ask(sql_url, _differences) == []
    assert await _ask(sql_url, _tables) == sorted([*metadata.tables, "alembic_version"])


async def test_migrating_again_changes_nothing(ready_url: str, stores: Stores) -> None:
    await _fill(ready_url, stores)
    other = await stores.open_another(ready_url)
    await _say(other)
    await _declare(other)
    before = await _ask(ready_url, _contents)
    await migrate(ready_url)
    assert await _ask(ready_url, _contents) == before
    assert _filled(before) == metadata.tables.keys()


async def test_down_and_up_again_works_with_rows_in_every_table(ready_url: str, stores: Stores) -> None:
    await _fill(ready_url, stores)
    await stores.close()
    await migrate(ready_url, "base")
    assert await _ask(ready_url, _tables) == ["alembic_version"]
    await _fill(ready_url, stores)
    assert await _ask(ready_url, _differences) == []
    assert _filled(await _ask(ready_url, _contents)) == metadata.tables.keys() - {"given_reasons", "proofs"}


@pytest.mark.parametrize("older", ["0001", "0002", "0003", "0004", "0006", "0007", "0009", "0010"])
async def test_down_to_any_older_schema_and_up_again_keeps_every_row(
    ready_url: str, stores: Stores, older: str
) -> None:
    await _fill(ready_url, stores)
    await stores.close()
    before = await _ask(ready_url, _contents)
    await migrate(ready_url, older)
    assert await _ask(ready_url, _differences) != []
    await migrate(ready_url)
    assert await _ask(ready_url, _differences) == []
    after = await _ask(ready_url, _contents)
    renewed: dict[str, list[Any]] = {
        "heads": [(*row[:-2], 0, None) for row in before["heads"]],  # its ledger is to be derived anew
        "activities": [],  # these and alarms come again with the ledger's renewal
        "alarms": [],
    }
    # A lease lapses within seconds anyway, what is summed beforehand is summed again, and an older version asks nobody for a key.
    lapsed: dict[str, list[Any]] = {"leases": [], "presums": [], "keys": [], "audit": []}
    assert after | lapsed == before | (renewed if older < "0004" else {}) | lapsed


async def test_a_ledger_whose_missing_part_an_older_version_does_not_know_of_is_derived_anew(
    ready_url: str, stores: Stores
) -> None:
    store = await stores.open(ready_url)
    async with store.writing() as writing:
        heads = await writing.lock_heads([A, B])
        await writing.save_heads([replace(heads[A], derived_from_us=5)])
    await stores.close()
    await migrate(ready_url, "0006")
    await migrate(ready_url)
    async with (await stores.open_another(ready_url)).reading() as reading:
        found = await reading.heads([A, B])
    assert {cell: (head.fold, head.derived_from_us) for cell, head in found.items()} == {A: (0, None), B: (FOLD, None)}


@pytest.mark.parametrize("older", ["0004", "0001", "base"])
@pytest.mark.parametrize("add", [_say, _declare, _join])
async def test_what_people_said_or_declared_is_never_thrown_away_by_going_back(
    ready_url: str, stores: Stores, older: str, add: Callable[[Store], Awaitable[None]]
) -> None:
    await _fill(ready_url, stores)
    await add(await stores.open_another(ready_url))
    await stores.close()
    before = await _ask(ready_url, _contents)
    with pytest.raises(SchemaMismatch) as refusal:
        await migrate(ready_url, older)
    assert str(refusal.value).count(".") == 1
    assert str(refusal.value).endswith("so nothing was changed.")
    assert await _ask(ready_url, _contents) == before
    assert await _ask(ready_url, _differences) == []


async def test_a_newer_schema_is_refused_in_one_sentence_and_left_as_it_is(sql_url: str, stores: Stores) -> None:
    await _fill(sql_url, stores)
    await _ask(sql_url, lambda connection: connection.execute(text("UPDATE alembic_version SET version_num = '9999'")))
    before = await _ask(sql_url, _contents)
    for revision_asked in ("head", "base"):
        with pytest.raises(SchemaMismatch) as refusal:
            await migrate(sql_url, revision_asked)
        assert "9999" in str(refusal.value)
        assert str(refusal.value).count(".") == 1
        assert str(refusal.value).endswith(".")
    assert await _ask(sql_url, _contents) == before
    version = await _ask(sql_url, lambda connection: connection.scalar(text("SELECT version_num FROM alembic_version")))
    assert version == "9999"


async def test_migrations_at_once_end_well(sql_url: str) -> None:
    await asyncio.wait_for(asyncio.gather(*(migrate(sql_url) for _ in range(4))), 60)
    assert await _ask(sql_url, _differences) == []
