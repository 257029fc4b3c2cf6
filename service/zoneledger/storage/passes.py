"""The activities of zones over a window, reaching far enough on both sides that the panel passes in it are whole."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, ScalarSelect, Select, Text, func, literal, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.messages import ACTIVITIES
from zoneledger.core.passes import TOLD
from zoneledger.core.rows import Activity, Place
from zoneledger.storage import tables as t
from zoneledger.storage.lists import Columns, rows_of

#: Before and after every instant that a ledger knows.
_BEGINNING_US, _END_US = -(2**62), 2**62
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
    since = func.coalesce(gone, worked, literal(_BEGINNING_US, BigInteger)).label("since_us")
    until = func.coalesce(going, loading, literal(_END_US, BigInteger)).label("until_us")
    return select(t.heads.c.cell, t.heads.c.ledger_id, zones.c.zone, since, until).where(t.heads.c.cell == zones.c.cell)


async def read_pass_activities(
    connection: AsyncConnection, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
) -> dict[tuple[str, str], list[Activity]]:
    """Return the activities that are over, by (cell, zone), in order."""
    a = t.activities.c
    reach = _reach(rows_of(connection, _ZONE, zones).cte("zones"), start_us, end_us).cte("reach")
    of_zone = (a.ledger_id == reach.c.ledger_id, a.zone == reach.c.zone)
    within = (a.start_us >= reach.c.since_us, a.start_us <= reach.c.until_us)
    kinds = a.activity.in_(sorted(ACTIVITIES))  # all there are: so the index by zone, activity and start is of use
    order = (reach.c.cell, a.zone, a.start_us, a.end_us, a.boot, a.seq, a.rank)
    query = select(reach.c.cell, t.activities).where(*of_zone, kinds, *within).order_by(*order)
    found: dict[tuple[str, str], list[Activity]] = {}
    for row in (await connection.execute(query)).all():
        place = Place(row.boot, row.seq, row.rank)
        told = Activity(place, *(getattr(row, name) for name in Activity._fields[1:]))
        found.setdefault((row.cell, row.zone), []).append(told)
    return found
