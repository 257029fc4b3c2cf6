"""Pauses between successive fasteners of a cell or zone, found in the database: where one follows closely, no row is read."""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import CTE, BigInteger, ColumnElement, FromClause, Row, Select, Text, func, or_, select
from sqlalchemy.ext.asyncio import AsyncConnection
from sqlalchemy.sql.functions import FunctionElement

from zoneledger.application.stored import PausesAsked
from zoneledger.core.minor_stops import Cut, Pause
from zoneledger.storage import tables as t
from zoneledger.storage.lists import Columns, rows_of

_ASKED: Columns = {
    "cell": Text,
    "zone": Text,
    "longer_us": BigInteger,
    "since_us": BigInteger,
    "until_us": BigInteger,
}
_f = t.fasteners.c


async def read_pauses(
    connection: AsyncConnection, asked: Sequence[PausesAsked], start_us: int, end_us: int
) -> dict[tuple[str, str], list[Pause]]:
    """Return the pauses that overlap [start_us, end_us), by (cell, zone), in order."""
    found: dict[tuple[str, str], list[Pause]] = {}
    for row in (await connection.execute(_query(connection, asked, start_us, end_us))).all():
        found.setdefault((row.cell, row.zone), []).extend(_pauses(row, start_us, end_us))
    return {(one.cell, one.zone): found.get((one.cell, one.zone), [Pause(None, None)]) for one in asked}


def _pauses(row: Row[Any], start_us: int, end_us: int) -> Iterator[Pause]:
    """Yield the pause before a fastener where it is long enough, and the one after it where it is the last."""
    made = Cut(row.at_us, row.operation, row.item, row.program)
    if row.at_us > start_us and (row.before_at_us is None or row.at_us - row.before_at_us > row.longer_us):
        before = Cut(row.before_at_us, row.before_operation, row.before_item, row.before_program)
        yield Pause(None if row.before_at_us is None else before, made)
    if row.after_us is None and row.at_us < end_us:
        yield Pause(made, None)


def _reach(asked: CTE, start_us: int, end_us: int) -> CTE:
    """Return the units with their ledgers, from the last fastener before the window to the first one at its end or after."""
    before, after = t.fasteners.alias("before"), t.fasteners.alias("after")

    def is_units(made: FromClause) -> tuple[ColumnElement[bool], ...]:
        return made.c.ledger_id == t.heads.c.ledger_id, or_(asked.c.zone == "", made.c.zone == asked.c.zone)

    # Bounded: of a zone that makes no fasteners those of all its cell would be looked through.
    last = select(before.c.at_us).where(
        *is_units(before), before.c.at_us >= asked.c.since_us, before.c.at_us < start_us
    )
    first = select(after.c.at_us).where(*is_units(after), after.c.at_us >= end_us, after.c.at_us <= asked.c.until_us)
    from_us = last.order_by(before.c.at_us.desc()).limit(1).scalar_subquery()
    to_us = first.order_by(after.c.at_us).limit(1).scalar_subquery()
    reach = select(
        asked,
        t.heads.c.ledger_id,
        func.coalesce(from_us, start_us).label("from_us"),
        func.coalesce(to_us, end_us - 1).label("to_us"),
    )
    return reach.where(t.heads.c.cell == asked.c.cell).cte("reach")


def _query(connection: AsyncConnection, asked: Sequence[PausesAsked], start_us: int, end_us: int) -> Select[Any]:
    reach = _reach(rows_of(connection, _ASKED, asked).cte("asked"), start_us, end_us)

    def along(neighbour: FunctionElement[Any]) -> ColumnElement[Any]:
        """Return a value of the fastener before or after, among those of the same unit."""
        return neighbour.over(partition_by=(reach.c.ledger_id, reach.c.zone), order_by=(_f.at_us, _f.boot, _f.seq))

    kind = ("operation", "item", "program")
    every = select(
        reach.c.cell,
        reach.c.zone,
        reach.c.longer_us,
        *(_f[name] for name in ("at_us", "boot", "seq", *kind)),
        *(along(func.lag(_f[name])).label(f"before_{name}") for name in ("at_us", *kind)),
        along(func.lead(_f.at_us)).label("after_us"),
    )
    every = every.where(_f.ledger_id == reach.c.ledger_id, _f.at_us >= reach.c.from_us, _f.at_us <= reach.c.to_us)
    found = every.where(or_(reach.c.zone == "", _f.zone == reach.c.zone)).subquery("found")
    rows = found.c
    is_at_an_end = or_(rows.before_at_us.is_(None), rows.after_us.is_(None))
    query: Select[Any] = select(found).where(or_(is_at_an_end, rows.at_us - rows.before_at_us > rows.longer_us))
    return query.order_by(rows.cell, rows.zone, rows.at_us, rows.boot, rows.seq)
