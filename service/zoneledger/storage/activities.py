"""The activities of zones over a window, reaching back to the load before it, or so far that the panel passes in it are whole."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import CTE, BigInteger, ColumnElement, Row, ScalarSelect, Select, Text, func, literal, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.messages import ACTIVITIES
from zoneledger.core.passes import TOLD
from zoneledger.core.rows import Activity, Place
from zoneledger.storage import tables as t
from zoneledger.storage.lists import BEGINNING_US, END_US, Columns, rows_of

_ZONE: Columns = {"cell": Text, "zone": Text}


def _first(which: Any, what: ColumnElement[Any], order: ColumnElement[Any], *rules: Any) -> ScalarSelect[Any]:
    """Return a query for one value of the zone's activities of a kind, along the index by zone, activity and start."""
    return select(what).where(*which, *rules).order_by(order).limit(1).scalar_subquery()


def _reach(zones: Any, start_us: int, end_us: int) -> Select[Any]:
    """Return from where to where the activities of each zone are read.

    From the end of the last unload that was told before the window, or else the last work before the last load before it, as a panel
    may be loaded in several goes; to the next unload that begins after it and is told, or else the next load.
    """
    a = t.activities.alias("edge")
    of_zone = (a.c.ledger_id == t.heads.c.ledger_id, a.c.zone == zones.c.zone)
    unload = (*of_zone, a.c.activity == "unload", a.c.ended_by.in_(TOLD))
    load = (*of_zone, a.c.activity == "load")
    back, on = a.c.start_us.desc(), a.c.start_us.asc()
    gone = _first(unload, a.c.end_us, back, a.c.start_us < start_us, a.c.end_us < start_us)
    loaded = _first(load, a.c.start_us, back, a.c.start_us < start_us).correlate(t.heads, zones)
    w = t.activities.alias("work")
    work = (w.c.ledger_id == t.heads.c.ledger_id, w.c.zone == zones.c.zone, w.c.activity == "process")
    worked = _first(work, w.c.start_us, w.c.start_us.desc(), w.c.start_us < loaded)
    going, loading = (_first(which, a.c.start_us, on, a.c.start_us >= end_us) for which in (unload, load))
    since = func.coalesce(gone, worked, literal(BEGINNING_US, BigInteger)).label("since_us")
    until = func.coalesce(going, loading, literal(END_US, BigInteger)).label("until_us")
    return select(t.heads.c.cell, t.heads.c.ledger_id, zones.c.zone, since, until).where(t.heads.c.cell == zones.c.cell)


def activity_of(row: Row[Any]) -> Activity:
    """Return the activity that a row of its table holds."""
    return Activity(Place(row.boot, row.seq, row.rank), *(getattr(row, name) for name in Activity._fields[1:]))


async def _within(
    connection: AsyncConnection, reach: CTE, *rules: ColumnElement[bool]
) -> dict[tuple[str, str], list[Activity]]:
    """Return the activities from where each zone is read, by (cell, zone), in order."""
    a = t.activities.c
    of_zone = (a.ledger_id == reach.c.ledger_id, a.zone == reach.c.zone, a.start_us >= reach.c.since_us)
    kinds = a.activity.in_(ACTIVITIES)  # all there are: so the index by zone, activity and start is of use
    order = (reach.c.cell, a.zone, a.start_us, a.end_us, a.boot, a.seq, a.rank)
    query = select(reach.c.cell, t.activities).where(*of_zone, kinds, *rules).order_by(*order)
    found: dict[tuple[str, str], list[Activity]] = {}
    for row in (await connection.execute(query)).all():
        found.setdefault((row.cell, row.zone), []).append(activity_of(row))
    return found


async def read_activities(
    connection: AsyncConnection, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
) -> dict[str, list[Activity]]:
    """Return the activities that are over and had begun before `end_us`, by cell, from the last load begun by `start_us` on."""
    of, load = rows_of(connection, _ZONE, zones).cte("zones"), t.activities.alias("load")
    before = (load.c.ledger_id == t.heads.c.ledger_id, load.c.zone == of.c.zone, load.c.activity == "load")
    since = select(func.max(load.c.start_us)).where(*before, load.c.start_us <= start_us).scalar_subquery()
    at = select(t.heads.c.cell, t.heads.c.ledger_id, of.c.zone, func.coalesce(since, BEGINNING_US).label("since_us"))
    reach = at.where(t.heads.c.cell == of.c.cell).cte("reach")
    found: dict[str, list[Activity]] = {}
    for (cell, _), rows in (await _within(connection, reach, t.activities.c.start_us < end_us)).items():
        found.setdefault(cell, []).extend(rows)
    return found


async def read_pass_activities(
    connection: AsyncConnection, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
) -> dict[tuple[str, str], list[Activity]]:
    """Return the activities that are over, by (cell, zone), in order."""
    reach = _reach(rows_of(connection, _ZONE, zones).cte("zones"), start_us, end_us).cte("reach")
    return await _within(connection, reach, t.activities.c.start_us <= reach.c.until_us)
