"""The ledger's rows: spans, fasteners, verdicts, gaps, discrepancies, activities and alarms of a cell, by stretches."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BigInteger, ColumnElement, Table, Text, and_, delete, or_, select, tuple_
from sqlalchemy.ext.asyncio import AsyncConnection

from zoneledger.application.stored import Stretch
from zoneledger.core.rows import Alarm, Booked, Fastener, Place, Verdict, ZoneSpan
from zoneledger.core.spans import Span
from zoneledger.storage import tables as t
from zoneledger.storage.activities import activity_of
from zoneledger.storage.bulk import insert_tuples
from zoneledger.storage.lists import KEY, Columns, rows_of
from zoneledger.storage.trails import discrepancy_of, gap_of

_SPAN_KEY: Columns = {"zone": Text, "start_us": BigInteger}
FASTENER_COLUMNS = [t.fasteners.c[name] for name in Fastener._fields]
VERDICT_COLUMNS = [t.verdicts.c[name] for name in Verdict._fields]
_ALARM_COLUMNS = [t.alarms.c[name] for name in Alarm._fields]
#: Tables whose rows have a place and no key of their own: of a stretch they go all or none.
_PLACED = {"gaps": t.gaps, "discrepancies": t.discrepancies, "activities": t.activities}


def _placed(table: Table, place: Place) -> tuple[Any, tuple[int, ...]]:
    """Return the columns of a table's place, with its rank where it has one, and the place to compare them with."""
    names = ("boot", "seq", "rank") if "rank" in table.c else ("boot", "seq")
    return tuple_(*(table.c[name] for name in names)), tuple(place[: len(names)])


def in_stretch(table: Table, ledger_id: int, stretch: Stretch) -> ColumnElement[bool]:
    """Tell which rows of one of a ledger's tables belong to a stretch."""
    return _spans_in_stretch(ledger_id, stretch) if table is t.spans else _placed_in_stretch(table, ledger_id, stretch)


def _placed_in_stretch(table: Table, ledger_id: int, stretch: Stretch) -> ColumnElement[bool]:
    rules: list[ColumnElement[bool]] = [table.c.ledger_id == ledger_id]
    if stretch.after is not None:
        columns, place = _placed(table, stretch.after)
        rules.append(columns > place)
    if stretch.upto is not None:
        columns, place = _placed(table, stretch.upto)
        rules.append(columns <= place)
    return and_(*rules)


def _spans_in_stretch(ledger_id: int, stretch: Stretch) -> ColumnElement[bool]:
    """A span belongs to a stretch by its start, with bounds of its zone."""
    s = t.spans.c
    named = stretch.starts.keys() | stretch.stops.keys()
    rules: list[ColumnElement[bool]] = []
    for zone in sorted(named):
        within: list[ColumnElement[bool]] = [s.zone == zone]
        if zone in stretch.starts:
            within.append(s.start_us >= stretch.starts[zone])
        stop_us = stretch.stops.get(zone, stretch.stop_us)
        if stop_us is not None:
            within.append(s.start_us < stop_us)
        rules.append(and_(*within))
    others: list[ColumnElement[bool]] = [s.zone.not_in(named)]
    if stretch.stop_us is not None:
        others.append(s.start_us < stretch.stop_us)
    if stretch.start_us is not None:
        others += [s.start_us >= stretch.start_us, s.end_us > stretch.start_us]  # the latter for its index
    rules.append(and_(*others))
    return and_(s.ledger_id == ledger_id, or_(*rules))


async def read_stretch(connection: AsyncConnection, ledger_id: int, stretch: Stretch) -> Booked:
    """Return a stretch of a ledger, in the order of the messages that it comes from."""

    async def rows(table: Table, *columns: Any) -> Sequence[Any]:
        query = select(*(columns or (table,))).where(in_stretch(table, ledger_id, stretch))
        return (await connection.execute(query)).all()

    s = t.spans.c
    spans = select(s.zone, s.start_us, s.end_us, s.state, s.reason).where(in_stretch(t.spans, ledger_id, stretch))
    return Booked(
        [ZoneSpan(zone, Span(*span)) for zone, *span in (await connection.execute(spans)).all()],
        [Fastener._make(row) for row in await rows(t.fasteners, *FASTENER_COLUMNS)],
        [Verdict(*row) for row in await rows(t.verdicts, *VERDICT_COLUMNS)],
        [gap_of(row) for row in await rows(t.gaps)],
        [discrepancy_of(row) for row in await rows(t.discrepancies)],
        [activity_of(row) for row in await rows(t.activities)],
        [Alarm(*row) for row in await rows(t.alarms, *_ALARM_COLUMNS)],
    )


async def delete_rows(connection: AsyncConnection, ledger_id: int, stretch: Stretch, rows: Booked) -> None:
    """Delete rows of a stretch: those with keys by these, of the others all if any is given."""
    spans = [(row.zone, row.span.start_us) for row in rows.spans]
    for table, shape, keys in (
        (t.spans, _SPAN_KEY, spans),
        (t.fasteners, KEY, [row[:2] for row in rows.fasteners]),
        (t.verdicts, KEY, [row[:2] for row in rows.verdicts]),
        (t.alarms, KEY, [row[:2] for row in rows.alarms]),
    ):
        if keys:
            chosen = tuple_(*(table.c[name] for name in shape)).in_(rows_of(connection, shape, keys))
            await connection.execute(delete(table).where(table.c.ledger_id == ledger_id, chosen))
    for name, table in _PLACED.items():
        if getattr(rows, name):
            await connection.execute(delete(table).where(in_stretch(table, ledger_id, stretch)))


async def insert_rows(connection: AsyncConnection, rows: Sequence[tuple[int, Booked]]) -> None:
    """Insert rows of ledgers, each as (ledger_id, rows)."""
    spans = [(c, row.zone, *row.span) for c, b in rows for row in b.spans]
    await insert_tuples(connection, t.spans, ("ledger_id", "zone", *Span._fields), spans)
    made = [(c, *row) for c, b in rows for row in b.fasteners]
    await insert_tuples(connection, t.fasteners, ("ledger_id", *Fastener._fields), made)
    given = [(c, *row) for c, b in rows for row in b.verdicts]
    await insert_tuples(connection, t.verdicts, ("ledger_id", *Verdict._fields), given)
    raised = [(c, *row) for c, b in rows for row in b.alarms]
    await insert_tuples(connection, t.alarms, ("ledger_id", *Alarm._fields), raised)
    for name, table in _PLACED.items():
        placed = [(c, row) for c, b in rows for row in getattr(b, name)]
        if placed:
            names = ("ledger_id", *Place._fields, *placed[0][1]._fields[1:])
            await insert_tuples(connection, table, names, [(c, *row.place, *row[1:]) for c, row in placed])
