"""What people say of time: added, and read by window, by page or by number; no row is ever changed or removed."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, insert, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import GivenRow, Listed
from zoneledger.storage import tables as t
from zoneledger.storage.lists import texts_of

_c = t.given_reasons.c
_COLUMNS = [_c[name] for name in ("id", *GivenRow._fields)]


def _listed(row: Row[Any]) -> Listed[GivenRow]:
    return Listed(row.id, row.cell, GivenRow._make(tuple(row)[1:]))


async def _rows(
    connection: AsyncConnection, *which: ColumnElement[bool], limit: int | None = None
) -> list[Listed[GivenRow]]:
    query = select(*_COLUMNS).where(*which).order_by(_c.id).limit(limit)
    return [_listed(row) for row in (await connection.execute(query)).all()]


async def read_window(
    connection: AsyncConnection, cells: Sequence[str], start_us: int, end_us: int
) -> list[Listed[GivenRow]]:
    """Return the entries of cells and their zones that overlap a window, in the order of their numbers."""
    among = _c.cell.in_(texts_of(connection, cells))
    return await _rows(connection, among, _c.end_us > start_us, _c.start_us < end_us)


async def read_history(
    connection: AsyncConnection, cells: Sequence[str], zone: str | None, after_id: int, limit: int
) -> list[Listed[GivenRow]]:
    """Return the first entries after a number, of cells with their zones, or of one zone of theirs."""
    which = [_c.cell.in_(texts_of(connection, cells)), _c.id > after_id]
    if zone is not None:
        which.append(_c.zone == zone)
    return await _rows(connection, *which, limit=limit)


async def read_entry(connection: AsyncConnection, number: int) -> Listed[GivenRow] | None:
    """Return the entry of a number, None where there is none."""
    found = await _rows(connection, _c.id == number)
    return found[0] if found else None


async def lock(connection: AsyncConnection) -> None:
    """Keep other writers out until the end of the transaction; on SQLite they are anyway."""
    if connection.dialect.name == "postgresql":
        await connection.execute(text("LOCK TABLE given_reasons IN SHARE ROW EXCLUSIVE MODE"))


async def add(connection: AsyncConnection, row: GivenRow) -> int:
    """Insert an entry and return its number."""
    query = insert(t.given_reasons).values(row._asdict()).returning(_c.id)
    return int((await connection.execute(query)).scalar_one())
