"""A Parquet file is written group by group, each as large as it may be; a CSV file has no text that a spreadsheet would run."""

import io

import pyarrow.parquet as pq
import pytest

from zoneledger.api import table_formats
from zoneledger.api.table_formats import writer_of
from zoneledger.application.tables.columns import Column

COLUMNS = (Column("text", "text", "a text"), Column("number", "integer", "a number"))


def test_rows_of_a_parquet_file_are_grouped_anew_after_each_group(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_formats, "GROUP_ROWS", 10)
    writer = writer_of("parquet", COLUMNS)
    came = b"".join([*(writer.rows([("a", n)] * 4) for n in range(7)), writer.end()])
    with pq.ParquetFile(io.BytesIO(came)) as file:
        assert [file.metadata.row_group(place).num_rows for place in range(file.num_row_groups)] == [12, 12, 4]


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("=1", "'=1"),
        ("a;=1;-2", "a;'=1;'-2"),
        ("a\t@b", "a\t'@b"),
        ("a\r\n+b", '"a\r\n\'+b"'),
        ("\t=1", "'\t'=1"),
        ("a=1; -2", "a=1; -2"),
    ],
)
def test_what_a_spreadsheet_would_run_has_an_apostrophe_before_it(text: str, written: str) -> None:
    assert writer_of("csv", COLUMNS).rows([(text, -1)]).decode() == f"text,number\r\n{written},-1\r\n"
