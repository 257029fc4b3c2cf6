"""Tables in three forms, read by a database that is not ours: the same rows in each, and the same sums as the figures."""

import re
from pathlib import Path
from typing import Any

import duckdb
import httpx
import pytest

from tests.integration.api.plant import CELL, OTHER, later, own, snapshot
from tests.integration.api.problem import problem
from tests.integration.api.saying import say, undo
from zoneledger.api.table_formats import MEDIA_TYPES, Format
from zoneledger.application.tables.asking import TABLES
from zoneledger.application.tables.columns import Kind

DAY: dict[str, Any] = {"day": "2026-03-02"}
HOSTILE = ["=1+1", "a;=1+1", "+x", "-5", "@SUM(A1)", 'a,"b"', "\u2028'\U0001f4a5", "'", "--", "#REF!"]

_SQL_TYPES: dict[Kind, str] = {
    "text": "VARCHAR",
    "time": "TIMESTAMPTZ",
    "integer": "BIGINT",
    "number": "DOUBLE",
    "flag": "BOOLEAN",
}


class Taken:
    """Tables as somebody took them into a database of their own."""

    def __init__(self, api: httpx.AsyncClient, directory: Path) -> None:
        self._api = api
        self._directory = directory
        self._number = 0

    async def file(self, table: str, form: Format = "csv", **query: Any) -> Path:
        answer = await self._api.get(f"/v1/tables/{table}", params={"format": form} | query)
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"] == MEDIA_TYPES[form]
        self._number += 1
        path = self._directory / f"{self._number}.{form}"
        path.write_bytes(answer.content)
        return path

    async def sql(self, query: str, table: str, form: Format = "parquet", **asked: Any) -> list[tuple[Any, ...]]:
        """Answer a question to a table, called `t` in it."""
        path = await self.file(table, form, **asked)
        with duckdb.connect() as database:
            database.execute("SET TimeZone = 'UTC'")
            columns = {column.name: _SQL_TYPES[column.kind] for column in TABLES[table].columns}
            source = {
                "parquet": f"read_parquet('{path}')",
                "jsonl": f"read_json('{path}', format='newline_delimited', columns={columns})",
                "csv": f"read_csv('{path}', header=true, delim=',', quote='\"', escape='\"', columns={columns})",
            }[form]
            return database.execute(f"WITH t AS (SELECT * FROM {source}) {query}").fetchall()

    async def rows(self, table: str, form: Format, **query: Any) -> list[tuple[Any, ...]]:
        kinds = {column.name: column.kind for column in TABLES[table].columns}
        told = [f'epoch_us("{name}")' if kind == "time" else f'"{name}"' for name, kind in kinds.items()]
        return await self.sql(f"SELECT {', '.join(told)} FROM t", table, form, **query)


@pytest.fixture
def taken(told: httpx.AsyncClient, tmp_path: Path) -> Taken:
    return Taken(told, tmp_path)


@pytest.fixture
async def hostile(told: httpx.AsyncClient) -> httpx.AsyncClient:
    """The application once a second cell has sent hostile texts, and left something out; people said hostile things, too."""
    messages: list[Any] = [snapshot(120, "1")]
    for number, text in enumerate(HOSTILE):
        names = {"item": text, "panel": text, "position": text, "program": text}
        kind = {"type": "fastener", "zone": "1", "operation": "fasten", "result": "good"}
        messages.append(own(2 * number + 1, 121 + number, **kind, **names))
        messages.append(own(2 * number + 2, 121 + number, type="alarm", phase="raise", code=text, severity="stop"))
    messages += [
        own(40, 140),
        own(41, 141, type="activity", activity="load", phase="end", zone="1"),
        "=cmd",
        {"v": "@"},
    ]
    messages.append(snapshot(142, "1", seq=41))
    steps = [("load", "begin"), ("process", "begin"), ("process", "end"), ("unload", "begin"), ("unload", "end")]
    for number, (activity, phase) in enumerate(steps):
        step = {"activity": activity, "phase": phase, "zone": "1", "panel": "=P-1", "program": "@skin"}
        messages.append(own(42 + number, 143 + number, type="activity", **step))
    answer = (await told.post("/v1/messages", json={"cell": OTHER, "messages": messages})).json()
    assert answer["stored"] == len(messages) - 2
    await told.post("/v1/messages", json={"cell": "=bench/\u00e4/,", "messages": [1]})
    for text in HOSTILE:
        said = await say(told, 30, 40, "sensor", note=text)
    assert (await undo(told, said["id"])).status_code == 201
    return told


def _plain(value: Any) -> Any:
    """Take away the apostrophe with which CSV keeps a spreadsheet from running a text."""
    return re.sub(r"(?:\A|(?<=[;\t\r\n]))'(?=[=+\-@])|\A'(?=[\t\r\n])", "", value) if isinstance(value, str) else value


async def test_three_forms_have_the_same_rows(hostile: httpx.AsyncClient, taken: Taken) -> None:
    for table in TABLES:
        parquet = await taken.rows(table, "parquet", **DAY)
        assert parquet, table
        assert await taken.rows(table, "jsonl", **DAY) == parquet, table
        assert [tuple(map(_plain, row)) for row in await taken.rows(table, "csv", **DAY)] == parquet, table


async def test_no_text_of_a_csv_file_is_a_formula_and_numbers_stay_numbers(
    hostile: httpx.AsyncClient, taken: Taken
) -> None:
    text = (await taken.file("fasteners", **DAY, unit=OTHER)).read_bytes().decode()
    lines = text.split("\r\n")
    assert lines[0] == ",".join(column.name for column in TABLES["fasteners"].columns)
    cells = re.split(r"[,;\t\r\n]", text.replace('"', ""))  # whatever a spreadsheet takes for the end of a cell
    assert not any(cell[:1] in tuple("=+-@") for cell in cells)
    assert {"'=1+1", "a;'=1+1", "'+x", "'-5", "'@SUM(A1)"} <= {cell for line in lines for cell in line.split(",")}
    [[behind]] = await taken.sql("SELECT min(lost_s) FROM t WHERE step = 'speed'", "losses", "csv", **DAY)
    assert isinstance(behind, float)


@pytest.mark.parametrize("window", [DAY, {"start": "2026-02-27T11:00:00Z", "end": "2026-03-02T07:13:00.000001Z"}])
async def test_spans_sum_to_the_times_of_the_figures(
    told: httpx.AsyncClient, taken: Taken, window: dict[str, Any]
) -> None:
    await say(told, 35, 45, "sensor")
    for unit in (CELL, f"{CELL}/1", f"{CELL}/2", "bench/line-1", "bench"):
        times = (await told.get(f"/v1/kpi/{unit}", params=window)).json()["time_s"]
        of_unit = "true" if unit[-2:-1] == "/" else "zone IS NULL"
        query = f"SELECT state, sum(planned_s) FROM t WHERE {of_unit} GROUP BY state"
        found = dict(await taken.sql(query, "spans", unit=unit, **window))
        assert {state: found.get(state, 0) for state in times} == pytest.approx(times, abs=1e-6), unit


async def test_spans_of_a_unit_join_and_are_those_of_the_timeline(told: httpx.AsyncClient, taken: Taken) -> None:
    window: dict[str, Any] = {"start": "2026-02-27T11:00:00Z", "end": "2026-03-03T00:00:00Z"}
    units = (await told.get(f"/v1/timeline/{CELL}", params=window)).json()["units"]
    query = "SELECT unit, strftime(start, '%Y-%m-%dT%H:%M:%SZ'), state, reason FROM t ORDER BY unit, start"
    found = await taken.sql(query, "spans", unit=CELL, **window)
    spans = [(unit["unit"], s["start"], s["state"], s["reason"]) for unit in units for s in unit["spans"]]
    assert found == sorted(spans, key=lambda one: one[:2])


async def test_losses_sum_to_what_is_missing_of_planned_time(told: httpx.AsyncClient, taken: Taken) -> None:
    losses = (await told.get(f"/v1/losses/{CELL}", params={"shift": "2026-03-02/early"})).json()
    query = "SELECT sum(lost_s), any_value(planned_s) FROM t WHERE shift = '2026-03-02/early'"
    [(lost_s, planned_s)] = await taken.sql(query, "losses", unit=CELL, **DAY)
    assert planned_s == losses["planned_s"]
    assert planned_s - lost_s == pytest.approx(losses["good_standard_s"], abs=1e-6)
    steps = {one["step"]: one["lost_s"] for one in losses["steps"]}
    query = "SELECT step, sum(lost_s) FROM t WHERE shift = '2026-03-02/early' GROUP BY step"
    found = dict(await taken.sql(query, "losses", unit=CELL, **DAY))
    assert {step: found.get(step, 0.0) for step in steps} == pytest.approx(steps, abs=1e-6)


async def test_shifts_are_those_of_the_figures(told: httpx.AsyncClient, taken: Taken) -> None:
    names = ("oee", "availability", "performance", "quality", "known", "planned_s", "revision", "utilisation")
    query = f"SELECT unit, {', '.join(names)}, made, running_s, oee_high FROM t WHERE shift = '2026-03-02/early'"
    found = {row[0]: row[1:] for row in await taken.sql(query, "shifts", **DAY)}
    assert set(found) == {"bench/line-1", CELL, OTHER, f"{CELL}/1", f"{CELL}/2", f"{OTHER}/1"}
    for unit, row in found.items():
        kpi = (await told.get(f"/v1/kpi/{unit}", params={"shift": "2026-03-02/early"})).json()
        more = kpi["fasteners"]["made"], kpi["time_s"]["running"], kpi["oee_bounds"][1]
        assert row == pytest.approx((*(kpi[name] for name in names), *more))


async def test_fasteners_passes_and_lists_are_those_of_the_api(hostile: httpx.AsyncClient, taken: Taken) -> None:
    kpi = (await hostile.get("/v1/kpi/bench", params=DAY)).json()["fasteners"]
    query = "SELECT count(*) FILTER (planned), count(*) FILTER (NOT planned), count(*) FILTER (result = 'good') FROM t"
    made, outside, good = (await taken.sql(query, "fasteners", **DAY))[0]
    assert (made, outside, good) == (kpi["made"], kpi["outside_planned"], kpi["good"])
    assert {row[1] for row in await taken.rows("fasteners", "csv", unit=f"{CELL}/1", **DAY)} == {"1"}
    passes = (await hostile.get("/v1/panels/bench/line-1", params=DAY)).json()
    assert len(await taken.rows("panels", "csv", unit="bench/line-1", **DAY)) == passes["number"] > 0
    for table, path in (("gaps", "gaps"), ("discrepancies", "discrepancies"), ("events", "events")):
        listed = (await hostile.get(f"/v1/{path}", params={"unit": "bench"})).json()[path]
        assert [row[0] for row in await taken.rows(table, "csv")] == [one["id"] for one in listed] != []
    listed = (await hostile.get("/v1/refused")).json()["refused"]
    assert [(row[0], row[1]) for row in await taken.rows("refused", "jsonl")] == [(r["id"], r["cell"]) for r in listed]
    assert len(await taken.rows("refused", "jsonl", unit=OTHER)) == 2
    history = (await hostile.get("/v1/reasons/bench")).json()["entries"]
    assert [row[0] for row in await taken.rows("reasons", "csv")] == [one["id"] for one in history]


async def test_a_window_leaves_out_of_a_list_what_is_not_in_it(hostile: httpx.AsyncClient, taken: Taken) -> None:
    window: dict[str, Any] = {"start": later(121), "end": later(122)}
    assert {row[4] for row in await taken.rows("events", "jsonl", unit=OTHER, **window)}
    assert len(await taken.rows("events", "jsonl", unit=OTHER, **window)) == 2
    assert await taken.rows("reasons", "jsonl", unit=CELL, **window) == []
    assert await taken.rows("gaps", "jsonl", unit=CELL, **window) == []


async def test_discrepancies_of_a_zone_are_its_own_and_those_of_its_cell(told: httpx.AsyncClient, taken: Taken) -> None:
    clear = {"type": "alarm", "phase": "clear", "code": "clamp", "severity": "stop"}
    zones: list[dict[str, Any]] = [{}, {"zone": "1"}, {"zone": "2"}]
    cleared = [own(n, 130 + n, boot=2, **clear, **zone) for n, zone in enumerate(zones, start=1)]
    body = {"cell": CELL, "messages": [snapshot(130, "1", "2", boot=2), *cleared]}
    assert (await told.post("/v1/messages", json=body)).json()["refused"] == []
    found = {row[2] for row in await taken.rows("discrepancies", "jsonl", unit=CELL)}
    assert found == {None, "1", "2"}
    assert {row[2] for row in await taken.rows("discrepancies", "jsonl", unit=f"{CELL}/2")} == found - {"1"}


async def test_a_table_without_rows_is_a_table(told: httpx.AsyncClient, taken: Taken) -> None:
    forms: tuple[Format, ...] = ("csv", "jsonl", "parquet")
    for form in forms:
        assert await taken.rows("fasteners", form, day="2025-03-02") == []


async def test_a_file_has_a_name_of_plain_letters(told: httpx.AsyncClient) -> None:
    query = {"unit": CELL, "shift": "2026-03-02/early", "format": "jsonl"}
    answer = await told.get("/v1/tables/spans", params=query)
    name = 'attachment; filename="zoneledger-spans-bench-line-1-cell-1-2026-03-02-early.jsonl"'
    assert answer.headers["content-disposition"] == name


@pytest.mark.parametrize(
    ("path", "code", "told_of"),
    [
        ("spans", "window_invalid", "needs a window"),
        ("spans?day=2026-03-02&unit=bench/line-9", "unit_unknown", "bench/line-1"),
        ("spans?shift=2026-03-02/early", "window_invalid", "is a site"),
        ("events?start=2026-03-02T00:00:00Z", "window_invalid", "both start and end"),
        ("fasteners?shift=2026-03-02/none&unit=bench/line-1", "shift_unknown", "early"),
        ("secrets?day=2026-03-02", "request_invalid", "'spans'"),
        ("spans?day=2026-03-02&format=xls", "request_invalid", "'parquet'"),
        ("spans?day=2026-03-02&limit=1", "request_invalid", "not a parameter"),
    ],
)
async def test_what_is_asked_wrongly_is_a_problem(told: httpx.AsyncClient, path: str, code: str, told_of: str) -> None:
    assert told_of in problem(await told.get(f"/v1/tables/{path}"), code)["detail"]
