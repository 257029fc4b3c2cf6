"""Pre-sums of slots: read, added, and dropped where what they were summed from changes."""

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Integer,
    Select,
    Subquery,
    Text,
    bindparam,
    delete,
    func,
    select,
    text,
    true,
    tuple_,
)
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Basis, Outdated, Presum, Stamp
from zoneledger.application.totals import RULES
from zoneledger.core.calendar import DAY_US
from zoneledger.storage import tables as t
from zoneledger.storage.bulk import insert_tuples
from zoneledger.storage.lists import Columns, named_rows, naming, rows_of
from zoneledger.storage.statements import PLANT_VERSION

_p = t.presums.c
#: No slot is longer: it ends at the next local midnight, and no zone skips more than a day.
LONGEST_US = 3 * DAY_US
#: There are not so many.
ALL = 2**31 - 1

_KEY: Columns = {"line": Text, "cell": Text, "start_us": BigInteger}
_TIMES: Columns = {"line": Text, "cell": Text, "from_us": BigInteger, "to_us": BigInteger}
#: Of a basis. Each is a list of its own, so that a database that plans by their length knows how few places there are.
_PLACES: Columns = {"line": Text, "cell": Text}
_UNITS: Columns = {"unit": Text}

_ROWS = (
    select(_p.line, _p.cell, _p.start_us, _p.end_us, _p.total)
    .where(_p.line == bindparam("line"), _p.cell == bindparam("cell"), _p.rules == RULES)
    .where(_p.start_us >= bindparam("start_us"), _p.start_us < bindparam("end_us"), _p.end_us <= bindparam("end_us"))
    .order_by(_p.start_us)
    .limit(bindparam("most", type_=Integer))
)
_THERE = select(_p.cell, _p.start_us).where(
    _p.line == bindparam("line"),
    _p.rules == RULES,
    _p.start_us >= bindparam("start_us"),
    _p.start_us < bindparam("end_us"),
)


async def read(
    connection: AsyncConnection, line: str, cell: str, start_us: int, end_us: int, limit: int | None
) -> list[Presum]:
    """Return those of a line or cell that lie in a window as a whole, in order; at most so many, None: all."""
    which = {
        "line": line,
        "cell": cell,
        "start_us": start_us,
        "end_us": end_us,
        "most": ALL if limit is None else limit,
    }
    return [Presum(*row) for row in (await connection.execute(_ROWS, which)).all()]


async def there(connection: AsyncConnection, line: str, start_us: int, end_us: int) -> set[tuple[str, int]]:
    """Return (cell, start_us) of those of a line and its cells that begin in a window."""
    which = {"line": line, "start_us": start_us, "end_us": end_us}
    return {(cell, at_us) for cell, at_us in (await connection.execute(_THERE, which)).all()}


async def lock(connection: AsyncConnection) -> None:
    """Wait for those who change any, and keep others from it until the end of the transaction; SQLite does so by itself."""
    if connection.dialect.name == "postgresql":
        await connection.execute(text("LOCK TABLE presums IN SHARE ROW EXCLUSIVE MODE"))


async def put(connection: AsyncConnection, rows: Sequence[Presum]) -> None:
    """Add some, in the place of those that begin at the same instants: summed by other rules, or by somebody else at the same time."""
    if not rows:
        return
    key = tuple_(_p.line, _p.cell, _p.start_us)
    await connection.execute(delete(t.presums).where(key.in_(rows_of(connection, _KEY, [row[:3] for row in rows]))))
    names = ("line", "cell", "start_us", "end_us", "rules", "total")
    await insert_tuples(connection, t.presums, names, [(*row[:4], RULES, row.total) for row in rows])


async def drop(connection: AsyncConnection, outdated: Sequence[Outdated]) -> None:
    """Drop those that overlap time of a unit: of a zone its cell's, of a cell also its line's, of a line also all its cells'."""
    of_places, of_lines = list[tuple[Any, ...]](), list[tuple[Any, ...]]()
    for unit, *times in outdated:
        steps = unit.split("/")
        line, cell = "/".join(steps[:2]), "/".join(steps[:3])
        if len(steps) == 2:
            of_lines.append((line, "", *times))
        else:
            of_places += [(line, place, *times) for place in ((cell, "") if len(steps) == 3 else (cell,))]
    for rows, is_cell in ((of_places, True), (of_lines, False)):
        if rows:
            dialect = connection.dialect.name
            which = _outdated(dialect, is_cell=is_cell)
            await connection.execute(delete(t.presums).where(_p.id.in_(which)), naming(dialect, _TIMES, rows))


@cache
def _outdated(dialect: str, *, is_cell: bool) -> Select[tuple[int]]:
    """Ask for the numbers of those that overlap `_TIMES` of a place, or of a line.

    They are locked in order, so that no two who drop wait for each other.
    """
    times = named_rows(dialect, _TIMES).cte("times")
    within = [_p.line == times.c.line, _p.start_us < times.c.to_us, _p.end_us > times.c.from_us]
    within.append(_p.start_us > times.c.from_us - LONGEST_US)
    if is_cell:
        within.append(_p.cell == times.c.cell)
    return (
        select(_p.id)
        .select_from(t.presums.join(times, within[0]))
        .where(*within[1:])
        .order_by(_p.id)
        .with_for_update(of=t.presums)
    )


@cache
def _stamp(dialect: str) -> Select[tuple[Any, ...]]:
    r, within = t.revisions.c, ("start_us", "end_us")
    start_us, end_us = (bindparam(name, type_=BigInteger) for name in within)
    places = tuple_(_p.line, _p.cell).in_(named_rows(dialect, _PLACES, "places"))
    units = r.unit.in_(named_rows(dialect, _UNITS, "units"))
    rows = _counted(_p.id, places, _p.start_us >= start_us, _p.start_us < end_us)
    changes = _counted(r.id, units, r.from_us < end_us, r.to_us > start_us)
    return select(PLANT_VERSION.scalar_subquery(), *rows.c, *changes.c).select_from(rows.join(changes, true()))


def _counted(number: ColumnElement[int], *within: ColumnElement[bool]) -> Subquery:
    return select(func.count(), func.coalesce(func.max(number), 0)).where(*within).subquery()


async def stamp(connection: AsyncConnection, basis: Basis) -> Stamp:
    """Return what tells whether a basis is still the same."""
    dialect = connection.dialect.name
    which: dict[str, Any] = {"start_us": basis.start_us, "end_us": basis.end_us}
    which |= naming(dialect, _PLACES, basis.places, "places")
    which |= naming(dialect, _UNITS, [(unit,) for unit in basis.units], "units")
    return Stamp._make((await connection.execute(_stamp(dialect), which)).one())
