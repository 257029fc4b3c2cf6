"""Leases: who of several processes does what only one may do; the database's own clock decides when one has lapsed."""

from typing import Any

from sqlalchemy import BigInteger, ColumnElement, delete, literal_column, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import LeaseRow
from zoneledger.storage import tables as t

_NOW: dict[str, str] = {
    "postgresql": "cast(extract(epoch FROM clock_timestamp()) * 1000000 AS bigint)",
    "sqlite": "cast((julianday('now') - 2440587.5) * 86400000000 AS integer)",
}


def _now_us(connection: AsyncConnection) -> ColumnElement[int]:
    return literal_column(_NOW[connection.dialect.name], BigInteger)


async def read_lease(connection: AsyncConnection, name: str) -> LeaseRow | None:
    """Return who holds a lease and how long yet, None where nobody does."""
    query = select(t.leases.c.holder, t.leases.c.until_us - _now_us(connection)).where(t.leases.c.name == name)
    row = (await connection.execute(query)).first()
    return LeaseRow(*row) if row else None


async def take_lease(connection: AsyncConnection, name: str, holder: str, for_us: int) -> bool:
    """Take a lease that nobody else holds; return whether this holder has it now."""
    dialect: Any = postgresql if connection.dialect.name == "postgresql" else sqlite
    row = {"name": name, "holder": holder, "until_us": _now_us(connection) + for_us}
    wanted = dialect.insert(t.leases).values(row)
    free = (t.leases.c.holder == holder) | (t.leases.c.until_us <= _now_us(connection))
    query = wanted.on_conflict_do_update(
        index_elements=[t.leases.c.name],
        set_={"holder": wanted.excluded.holder, "until_us": wanted.excluded.until_us},
        where=free,
    )
    return (await connection.execute(query.returning(t.leases.c.name))).first() is not None


async def give_up_lease(connection: AsyncConnection, name: str, holder: str) -> None:
    """Let a lease go at once, where this holder has it."""
    await connection.execute(delete(t.leases).where(t.leases.c.name == name, t.leases.c.holder == holder))
