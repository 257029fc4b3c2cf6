"""A year of a line's ledger, generated straight into the tables by one statement each: no message is booked.

Each zone has a span every 12 minutes, each cell a fastener every 144 s: 120 spans a zone and 600 fasteners a cell and day. The pattern
repeats and is not a real machine's; figures are read from it, never judged.
"""

import json
from typing import Any

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncEngine

from zoneledger.core.calendar import DAY_US
from zoneledger.core.validation import parse_instant
from zoneledger.storage.engines import Engines, transaction
from zoneledger.storage.store import SqlStore

#: The present of the benchmark; the history ends a day before, so that all of it is settled.
NOW_US = parse_instant("now", "2026-11-25T00:00:00Z")
LAST_US = NOW_US - DAY_US
LINE = "year/line-1"
SHIFTS = {"early": ("06:00", "14:00"), "late": ("14:00", "22:00"), "night": ("22:00", "06:00")}
SPAN_US, FASTENER_US = 720_000_000, 144_000_000


def cells_of(number: int) -> list[str]:
    """Return the paths of so many cells."""
    return [f"{LINE}/cell-{i}" for i in range(1, number + 1)]


def plant_of(number: int) -> str:
    """Return the plant model of one line of so many cells of two zones that work around the clock in three shifts."""
    shifts = [
        {"shift": name, "starts": starts, "ends": ends, "repeats": "FREQ=DAILY", "since": "2024-01-01"}
        for name, (starts, ends) in SHIFTS.items()
    ]
    standards = [
        {"operation": "fasten", "seconds": 60.0, "since": "2024-01-01"},
        {"operation": "fasten", "item": "lb-1", "seconds": 75.0, "since": "2024-01-01"},
    ]
    cells = [{"cell": path.rpartition("/")[2], "zones": ["1", "2"]} for path in cells_of(number)]
    line = {"line": "line-1", "shifts": shifts, "standards": standards, "cells": cells}
    return json.dumps({"sites": [{"site": "year", "timezone": "UTC", "lines": [line]}]})


_NUMBERS = {
    "postgresql": "SELECT generate_series(0::bigint, {count} - 1) AS n",
    "sqlite": "SELECT 0 AS n UNION ALL SELECT n + 1 FROM numbers WHERE n + 1 < {count}",
    "duckdb": "SELECT unnest(range({count})) AS n",
}
_SPANS = """
WITH RECURSIVE numbers AS ({numbers}), zones AS (SELECT '' AS zone, 0 AS shift UNION ALL SELECT '1', 0 UNION ALL SELECT '2', 1)
SELECT {owner}zone, {since} + n * {length}, {since} + (n + 1) * {length},
  CASE (n + shift) % 5 WHEN 1 THEN 'changeover' WHEN 3 THEN 'idle' WHEN 4 THEN CASE n % 7 WHEN 0 THEN 'fault' ELSE 'running' END
    ELSE 'running' END,
  CASE (n + shift) % 5 WHEN 1 THEN 'load' WHEN 3 THEN 'head' WHEN 4 THEN CASE n % 7 WHEN 0 THEN 'clamp-force' ELSE 'process' END
    ELSE 'process' END
FROM numbers, zones
"""
_FASTENERS = """
INSERT INTO fasteners (ledger_id, boot, seq, at_us, zone, operation, item, program, panel, position, result, seconds, verdict)
WITH RECURSIVE numbers AS ({numbers})
SELECT {ledger}, 1, ({since} + n * {length}) / 1000000, {since} + n * {length}, CASE n % 2 WHEN 0 THEN '1' ELSE '2' END, 'fasten',
  CASE n % 4 WHEN 0 THEN 'lb-1' ELSE 'lb-8' END, CASE n % 3 WHEN 0 THEN 'skin-left' ELSE 'skin-right' END, NULL, NULL,
  CASE n % 50 WHEN 0 THEN 'reject' WHEN 25 THEN 'rework' ELSE 'good' END, 58.0, NULL
FROM numbers
"""


def spans_sql(dialect: str, owner: str, since_us: int, days: int) -> str:
    """Return the statement that gives the spans of a cell: what tells whose they are, zone, start_us, end_us, state and reason."""
    numbers = _NUMBERS[dialect].format(count=days * DAY_US // SPAN_US)
    return _SPANS.format(numbers=numbers, owner=owner, since=since_us, length=SPAN_US)


def _fasteners_sql(dialect: str, ledger_id: int, since_us: int, days: int) -> str:
    numbers = _NUMBERS[dialect].format(count=days * DAY_US // FASTENER_US)
    return _FASTENERS.format(numbers=numbers, ledger=ledger_id, since=since_us, length=FASTENER_US)


async def fill(engines: Engines, cells: int, days: int) -> int:
    """Make the ledger of so many days; return how many rows."""
    engine, since_us, rows = engines.write, LAST_US - days * DAY_US, 0
    async with SqlStore(engines).writing() as writing:
        heads = await writing.lock_heads(cells_of(cells))
    for cell in cells_of(cells):
        ledger_id = heads[cell].ledger_id
        spans = spans_sql(engine.dialect.name, f"{ledger_id}, ", since_us, days)
        made = _fasteners_sql(engine.dialect.name, ledger_id, since_us, days)
        for sql in (f"INSERT INTO spans (ledger_id, zone, start_us, end_us, state, reason) {spans}", made):
            async with transaction(engine) as connection:
                rows += (await connection.execute(text(sql))).rowcount
    await settle(engine)
    return rows


async def settle(engine: AsyncEngine) -> None:
    """Let PostgreSQL look at what it has, as its autovacuum does within minutes of a change: else its plans change meanwhile."""
    if engine.dialect.name == "postgresql":
        async with engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
            await connection.execute(text("VACUUM ANALYZE"))


#: The numbers of an account, as the baseline has them: a row for each zone and shift, in columns.
COLUMNS = [f"figure_{i}" for i in range(25)]
_BASELINE = """
INSERT INTO baseline (line, cell, zone, start_us, {names})
WITH RECURSIVE numbers AS ({numbers}), zones AS (SELECT '1' AS zone UNION ALL SELECT '2')
SELECT '{line}', '{cell}', zone, {since} + n * {length}, {values} FROM numbers, zones
"""


async def fill_baseline(engine: AsyncEngine, cells: int, days: int) -> None:
    """Make the table that the baseline of a year by shift reads: what an analyst would have summed beforehand by zone and shift."""
    kinds = ", ".join(f"{name} BIGINT NOT NULL" for name in COLUMNS)
    key = "line TEXT NOT NULL, cell TEXT NOT NULL, zone TEXT NOT NULL, start_us BIGINT NOT NULL"
    length_us = DAY_US // len(SHIFTS)
    numbers = _NUMBERS[engine.dialect.name].format(count=days * len(SHIFTS))
    fields: dict[str, Any] = {"numbers": numbers, "line": LINE, "since": LAST_US - days * DAY_US, "length": length_us}
    fields |= {"names": ", ".join(COLUMNS), "values": ", ".join(f"n + {i}" for i in range(len(COLUMNS)))}
    async with transaction(engine) as connection:
        await connection.execute(
            text(f"CREATE TABLE baseline ({key}, {kinds}, PRIMARY KEY (line, start_us, cell, zone))")
        )
        for cell in cells_of(cells):
            await connection.execute(text(_BASELINE.format(**fields, cell=cell)))
    await settle(engine)


BASELINE_SQL = (
    f"SELECT start_us, {', '.join(f'sum({name})' for name in COLUMNS)} FROM baseline "
    f"WHERE line = '{LINE}' AND start_us >= {{since}} AND start_us < {{until}} GROUP BY start_us ORDER BY start_us"
)
