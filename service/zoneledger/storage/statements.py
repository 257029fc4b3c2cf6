"""Statements that are executed for each group of messages: made once for a database, as making one costs more than to run it.

What changes is told with the execution: rows by `naming` of `lists`, the rest by the names of the parameters.
"""

from functools import cache

from sqlalchemy import BigInteger, Select, Text, Update, bindparam, func, select, tuple_, update

from zoneledger.application.stored import SnapshotRow
from zoneledger.core.rows import Fastener, Verdict
from zoneledger.storage import tables as t
from zoneledger.storage.lists import KEY, TEXTS, Columns, named_rows

INSTANT: Columns = {**KEY, "at_us": BigInteger}
POSITION: Columns = {"panel": Text, "position": Text}

PLANT_VERSION = select(func.coalesce(func.max(t.plants.c.version), 0))

_changed = [column for column in t.heads.columns if column.name not in ("cell", "cell_id")]
SAVE_HEAD: Update = (
    update(t.heads)
    .where(t.heads.c.cell_id == bindparam("key"))
    .values({column: bindparam(column.name) for column in _changed})
)


@cache
def known_cells(dialect: str) -> Select[tuple[str]]:
    """Ask which of the cells `TEXTS` have a head."""
    return select(t.heads.c.cell).where(t.heads.c.cell.in_(named_rows(dialect, TEXTS)))


@cache
def lock_heads(dialect: str) -> Select[tuple[object, ...]]:
    """Read the heads of the cells `TEXTS` in the order of their names, and lock them where the database locks rows."""
    among = t.heads.c.cell.in_(named_rows(dialect, TEXTS))
    return select(t.heads).where(among).order_by(t.heads.c.cell).with_for_update()


@cache
def events_at(dialect: str) -> Select[tuple[int, int, str]]:
    """Read the events of `cell_id` at `KEY`."""
    e = t.events.c
    at = tuple_(e.boot, e.seq).in_(named_rows(dialect, KEY))
    return select(e.boot, e.seq, e.body).where(e.cell_id == bindparam("cell_id"), at)


@cache
def snapshots_at(dialect: str) -> Select[tuple[object, ...]]:
    """Read the snapshots of `cell_id` at `INSTANT`, as `SnapshotRow` has them."""
    s = t.snapshots.c
    at = tuple_(s.boot, s.seq, s.at_us).in_(named_rows(dialect, INSTANT))
    return select(*(s[name] for name in SnapshotRow._fields)).where(s.cell_id == bindparam("cell_id"), at)


@cache
def made_at(dialect: str) -> Select[tuple[object, ...]]:
    """Read the fasteners of `ledger_id` at `POSITION`, each with the result that its verdict gave."""
    f = t.fasteners.c
    at = tuple_(f.panel, f.position).in_(named_rows(dialect, POSITION))
    columns = [f[name] for name in Fastener._fields]
    return select(*columns, f.verdict).where(f.ledger_id == bindparam("ledger_id"), at)


@cache
def verdicts_at(dialect: str) -> Select[tuple[object, ...]]:
    """Read the verdicts of `ledger_id` at `POSITION`."""
    v = t.verdicts.c
    at = tuple_(v.panel, v.position).in_(named_rows(dialect, POSITION))
    return select(*(v[name] for name in Verdict._fields)).where(v.ledger_id == bindparam("ledger_id"), at)
