"""The three forms of a table: CSV (RFC 4180), JSON lines, and Parquet, each made piece by piece."""

import csv
import io
import re
from collections.abc import Sequence
from typing import Any, Literal, Protocol

from msgspec.json import encode

from zoneledger.api.times import rfc3339
from zoneledger.application.tables.columns import Column, Kind, Row, Value

Format = Literal["csv", "jsonl", "parquet"]

MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8; header=present",
    "jsonl": "application/x-ndjson",
    "parquet": "application/vnd.apache.parquet",
}

#: A group of rows of a Parquet file is written when it has so many rows, or takes so much memory.
GROUP_ROWS, GROUP_BYTES = 50_000, 8 * 2**20

#: A spreadsheet takes a text that begins so for a formula, and runs it; also what follows in a text on a mark that others take
#: for the end of a cell, such as a list separator.
_FORMULA = re.compile(r"\A[\t\r\n]|(?:\A|(?<=[;\t\r\n]))(?=[=+\-@])")


class Writer(Protocol):
    """Makes a table's bytes from its rows; `end` once, after the last ones."""

    def rows(self, rows: Sequence[Row]) -> bytes:
        """Take rows, and return what there is to send by now."""

    def end(self) -> bytes:
        """Return the rest."""


def writer_of(form: Format, columns: Sequence[Column]) -> Writer:
    """Return what makes a table of these columns."""
    if form == "csv":
        return _Csv(columns)
    return _JsonLines(columns) if form == "jsonl" else _Parquet(columns)


def _times(columns: Sequence[Column]) -> list[int]:
    return [place for place, column in enumerate(columns) if column.kind == "time"]


def _told(row: Row, times: Sequence[int]) -> list[Value]:
    """Return a row with its instants as RFC 3339 in UTC."""
    told = list(row)
    for place in times:
        at_us = row[place]
        told[place] = rfc3339(at_us) if isinstance(at_us, int) else None
    return told


def _guarded(text: str) -> str:
    """Return a text with an apostrophe before each place where a spreadsheet would begin to run it."""
    return _FORMULA.sub(lambda found: f"'{found[0]}", text)


class _Csv:
    """RFC 4180 in UTF-8 with a header: nothing stands for none; a text that a spreadsheet would run has an apostrophe before it."""

    def __init__(self, columns: Sequence[Column]) -> None:
        self._times = _times(columns)
        self._texts = [place for place, column in enumerate(columns) if column.kind == "text"]
        self._flags = [place for place, column in enumerate(columns) if column.kind == "flag"]
        self._text = io.StringIO()
        self._csv = csv.writer(self._text)
        self._csv.writerow([column.name for column in columns])

    def rows(self, rows: Sequence[Row]) -> bytes:
        for row in rows:
            told = _told(row, self._times)
            for place in self._texts:
                text = told[place]
                if isinstance(text, str):
                    told[place] = _guarded(text)
            for place in self._flags:
                told[place] = None if told[place] is None else str(told[place]).lower()
            self._csv.writerow(told)
        return self.end()

    def end(self) -> bytes:
        found = self._text.getvalue().encode()
        self._text.seek(0)
        self._text.truncate()
        return found


class _JsonLines:
    """One JSON object a line."""

    def __init__(self, columns: Sequence[Column]) -> None:
        self._times = _times(columns)
        self._names = [column.name for column in columns]

    def rows(self, rows: Sequence[Row]) -> bytes:
        told = (dict(zip(self._names, _told(row, self._times), strict=True)) for row in rows)
        return b"".join(encode(one) + b"\n" for one in told)

    def end(self) -> bytes:
        return b""


class _Sink(io.RawIOBase):
    """A file that gives what is written to it to whoever takes it, and forgets it."""

    def __init__(self) -> None:
        self._written = bytearray()
        self._place = 0

    def writable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._place

    def write(self, data: Any) -> int:
        size = memoryview(data).nbytes
        self._written += data
        self._place += size
        return size

    def take(self) -> bytes:
        found = bytes(self._written)
        self._written.clear()
        return found


class _Parquet:
    """Apache Parquet, version 2.6: instants are timestamps of microseconds in UTC. Without its end it can be read by nobody."""

    def __init__(self, columns: Sequence[Column]) -> None:
        import pyarrow as pa  # takes a third of a second: only where somebody wants it
        import pyarrow.parquet as pq

        self._pa = pa
        types: dict[Kind, Any] = {
            "text": pa.string(),
            "time": pa.timestamp("us", tz="UTC"),
            "integer": pa.int64(),
            "number": pa.float64(),
            "flag": pa.bool_(),
        }
        self._schema = pa.schema([pa.field(column.name, types[column.kind]) for column in columns])
        self._sink = _Sink()
        self._writer = pq.ParquetWriter(self._sink, self._schema, version="2.6", compression="zstd")
        self._group: list[Any] = []
        self._rows = self._bytes = 0

    def rows(self, rows: Sequence[Row]) -> bytes:
        if rows:
            columns = list(zip(*rows, strict=True))
            arrays = [self._pa.array(values, field.type) for values, field in zip(columns, self._schema, strict=True)]
            table = self._pa.Table.from_arrays(arrays, schema=self._schema)
            self._group.append(table)
            self._rows, self._bytes = self._rows + table.num_rows, self._bytes + table.nbytes
        if self._rows >= GROUP_ROWS or self._bytes >= GROUP_BYTES:
            self._write()
        return self._sink.take()

    def end(self) -> bytes:
        self._write()
        self._writer.close()
        return self._sink.take()

    def _write(self) -> None:
        if self._group:
            self._writer.write_table(self._pa.concat_tables(self._group))
            self._group, self._rows, self._bytes = [], 0, 0
