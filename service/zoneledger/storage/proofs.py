"""Acceptance runs: declared once, and frozen once; no row is changed after that, and none is removed."""

from sqlalchemy import Row, insert, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Listed, ProofRow
from zoneledger.storage import tables as t

_c = t.proofs.c
_COLUMNS = [_c[name] for name in ("id", *ProofRow._fields)]


def _listed(row: Row[tuple[object, ...]]) -> Listed[ProofRow]:
    return Listed(row.id, row.unit, ProofRow._make(tuple(row)[1:]))


async def read_proofs(connection: AsyncConnection, after_id: int, limit: int) -> list[Listed[ProofRow]]:
    """Return the first runs after a number, in the order in which they were declared."""
    query = select(*_COLUMNS).where(_c.id > after_id).order_by(_c.id).limit(limit)
    return [_listed(row) for row in (await connection.execute(query)).all()]


async def read_proof(connection: AsyncConnection, number: int) -> Listed[ProofRow] | None:
    """Return the run of a number, None where there is none."""
    row = (await connection.execute(select(*_COLUMNS).where(_c.id == number))).first()
    return _listed(row) if row else None


async def add_proof(connection: AsyncConnection, row: ProofRow) -> int:
    """Insert a run and return its number."""
    return int((await connection.execute(insert(t.proofs).values(row._asdict()).returning(_c.id))).scalar_one())


async def freeze_proof(connection: AsyncConnection, number: int, frozen: str, frozen_us: int) -> bool:
    """Keep what a run came to, unless that was done before; return whether it is kept now."""
    query = update(t.proofs).where(_c.id == number, _c.frozen.is_(None)).values(frozen=frozen, frozen_us=frozen_us)
    return (await connection.execute(query)).rowcount == 1
