"""What an analyst does without the service: sums the raw spans of a line by shift, zone, state and reason, from a Parquet file.

The file has the spans that `year` fills the ledger with, those of the cells themselves under the zone ''. Fasteners, and how much
changeover was masked, are left out, though the service answers them, too. Both ways have to give the same sums, and those that the
service answers. Polars is no dependency of the project: `make bench` installs it.
"""

import time
from collections import Counter
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from statistics import median
from typing import Any

import duckdb

from benchmarks.year import LAST_US, SHIFTS, cells_of, spans_sql
from zoneledger.core.calendar import DAY_US
from zoneledger.core.figures import HOUR_US
from zoneledger.core.validation import parse_instant

SHIFT_US, FIRST_SHIFT_US = DAY_US // len(SHIFTS), 6 * HOUR_US

Sums = dict[tuple[int, str, str, str], int]
"""Microseconds by the start of a shift, zone, state and reason, over all cells of the line."""

_BY_SHIFT = f"""
WITH cut AS (
  SELECT *, (start_us - $first) // {SHIFT_US} AS shift, (end_us - 1 - $first) // {SHIFT_US} AS until
  FROM read_parquet($file) WHERE end_us > $first
), pieces AS (
  SELECT shift, zone, state, reason, least(end_us, $first + (shift + 1) * {SHIFT_US}) - start_us AS us
  FROM cut WHERE start_us >= $first
  UNION ALL
  SELECT until, zone, state, reason, end_us - ($first + until * {SHIFT_US}) FROM cut WHERE until > shift OR start_us < $first
)
SELECT $first + shift * {SHIFT_US}, zone, state, reason, sum(us)::BIGINT FROM pieces GROUP BY ALL
"""


def write_spans(file: Path, cells: int, days: int) -> int:
    """Write the spans of a line as Parquet; return how many."""
    since_us, connection = LAST_US - days * DAY_US, duckdb.connect()
    columns = "cell VARCHAR, zone VARCHAR, start_us BIGINT, end_us BIGINT, state VARCHAR, reason VARCHAR"
    connection.execute(f"CREATE TABLE spans ({columns})")
    for cell in cells_of(cells):
        connection.execute(f"INSERT INTO spans {spans_sql('duckdb', f'{cell!r}, ', since_us, days)}")
    connection.execute(f"COPY spans TO '{file}' (FORMAT parquet)")
    [(number,)] = connection.execute("SELECT count(*) FROM spans").fetchall()
    return int(number)


def by_duckdb(file: Path, first_us: int) -> Sums:
    """Sum by one SQL statement."""
    rows = duckdb.connect().execute(_BY_SHIFT, {"file": str(file), "first": first_us}).fetchall()
    return {(start_us, *which): us for start_us, *which, us in rows}


def by_polars(file: Path, first_us: int) -> Sums:
    """Sum by a lazy query over the file."""
    import polars as pl

    start, end, which = pl.col("start_us"), pl.col("end_us"), ("zone", "state", "reason")
    spans = pl.scan_parquet(file).filter(end > first_us)
    cut = spans.with_columns(shift=(start - first_us) // SHIFT_US, until=(end - 1 - first_us) // SHIFT_US)
    ends = pl.min_horizontal(end, first_us + (pl.col("shift") + 1) * SHIFT_US)
    begun = cut.filter(start >= first_us).select("shift", *which, us=ends - start)
    over = cut.filter((pl.col("until") > pl.col("shift")) | (start < first_us))
    rest = over.select(pl.col("until").alias("shift"), *which, us=end - (first_us + pl.col("until") * SHIFT_US))
    sums = pl.concat([begun, rest]).group_by("shift", *which).agg(pl.col("us").sum()).collect()
    return {(first_us + shift * SHIFT_US, *each): us for shift, *each, us in sums.iter_rows()}


WAYS: dict[str, Callable[[Path, int], Sums]] = {"DuckDB": by_duckdb}
if find_spec("polars"):
    WAYS["Polars"] = by_polars


def seconds_by_way(file: Path, days: int, times: int) -> tuple[dict[str, float], Sums]:
    """Return how long each way takes, and what all come to; raise RuntimeError where they differ."""
    first_us, took, sums = LAST_US - days * DAY_US + FIRST_SHIFT_US, dict[str, float](), Sums()
    for name, way in WAYS.items():
        each = []
        for _ in range(times):
            began_s = time.perf_counter()
            found = way(file, first_us)
            each.append(time.perf_counter() - began_s)
        if sums and found != sums:
            raise RuntimeError(f"{name} sums otherwise")
        sums, took[name] = found, median(each)
    return took, sums


def differences(sums: Sums, series: list[dict[str, Any]]) -> list[str]:
    """Return in words where the service's answer tells other times than an analyst's sums, of shifts that were over."""
    found, by_state = [], Counter[tuple[int, str]]()
    for (start_us, zone, state, _), us in sums.items():
        by_state[start_us, state] += us if not zone else 0
    for part in series:
        start_us = parse_instant("start", part["start"])
        if start_us + SHIFT_US > LAST_US:
            continue
        for state, told_s in part["time_s"].items():
            us = by_state[start_us, state]
            if round(told_s * 1e6) != us:
                found.append(f"{part['start']} {state}: {told_s} s, and {us / 1e6} s by an analyst's sums")
    return found
