"""The activities of zones over a window, reaching so far back that the panel passes in it, and the one before, are whole."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import CTE, Row, Text, func, select
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.core.passes import ACTIVITIES_BACK, TOLD
from zoneledger.core.rows import Activity, Place
from zoneledger.storage import tables as t
from zoneledger.storage.lists import BEGINNING_US, Columns, rows_of

_ZONE: Columns = {"cell": Text, "zone": Text}


def activity_of(row: Row[Any]) -> Activity:
    """Return the activity that a row of its table holds."""
    return Activity(Place(row.boot, row.seq, row.rank), *(getattr(row, name) for name in Activity._fields[1:]))


def _floors(zones: CTE, start_us: int) -> CTE:
    """Return the zones with their ledgers, and from where on so many activities before the window lie as are read at most."""
    a = t.activities.alias("back").c
    before = (a.ledger_id == t.heads.c.ledger_id, a.zone == zones.c.zone, a.start_us < start_us)
    furthest = select(a.start_us).where(*before).order_by(a.start_us.desc()).limit(1).offset(ACTIVITIES_BACK - 1)
    floor_us = func.coalesce(furthest.correlate(t.heads, zones).scalar_subquery(), BEGINNING_US).label("floor_us")
    zone = t.heads.c.cell, t.heads.c.ledger_id, zones.c.zone
    return select(*zone, floor_us).where(t.heads.c.cell == zones.c.cell).cte("floors")


def _reach(floors: CTE, start_us: int) -> CTE:
    """Return from where on the activities of each zone are read."""
    a = t.activities.alias("gone").c
    unload = (a.ledger_id == floors.c.ledger_id, a.zone == floors.c.zone, a.activity == "unload", a.ended_by.in_(TOLD))
    before = (a.start_us >= floors.c.floor_us, a.start_us < start_us, a.end_us < start_us)
    last_but_one = select(a.end_us).where(*unload, *before).order_by(a.start_us.desc()).limit(1).offset(1)
    since_us = func.coalesce(last_but_one.correlate(floors).scalar_subquery(), floors.c.floor_us).label("since_us")
    reach = select(floors.c.cell, floors.c.ledger_id, floors.c.zone, since_us).cte("reach")
    return reach.prefix_with("MATERIALIZED", dialect="postgresql")  # else it may be worked out again for each activity


async def read_activities(
    connection: AsyncConnection, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
) -> dict[tuple[str, str], list[Activity]]:
    """Return the activities that are over and had begun before `end_us`, by (cell, zone), in order."""
    floors = _floors(rows_of(connection, _ZONE, zones).cte("zones"), start_us)
    reach, a = _reach(floors, start_us), t.activities.c
    within = (a.ledger_id == reach.c.ledger_id, a.zone == reach.c.zone, a.start_us >= reach.c.since_us)
    order = (reach.c.cell, a.zone, a.start_us, a.end_us, a.boot, a.seq, a.rank)
    query = select(reach.c.cell, t.activities).where(*within, a.start_us < end_us).order_by(*order)
    found: dict[tuple[str, str], list[Activity]] = {}
    for row in (await connection.execute(query)).all():
        found.setdefault((row.cell, row.zone), []).append(activity_of(row))
    return found
