"""The ways into other systems work as the page says: its programs and its query are run as they stand, against real servers."""

import asyncio
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.docs import table_columns
from tests.docs.pages import DOCS, ROOT, blocks, codes, read, rows, section
from tests.faults.launching import ForkedService
from tests.integration.mqtt.parts import until
from tests.servers.fixtures import lend
from tests.servers.mosquitto import Mosquitto
from tests.servers.one_cell import CELL
from tests.servers.service import ServiceProcess
from zoneledger.api.contract_documents import asyncapi_document
from zoneledger.api.exporting import AT_ONCE
from zoneledger.api.metrics import METRICS, PREFIX
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us
from zoneledger.core.validation import parse_instant
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plan import Scenario
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate

PAGE = read("docs/integration.md")
EXAMPLES = ROOT / "docs" / "examples"
SHIFT, PARTLY_KNOWN, LINE = "2026-11-25/early", "2026-11-25/late", "harbour/wing-1"
START_US = parse_instant("start", "2026-11-25T05:30:00Z")
HOURS_US = 9 * 3_600_000_000
ROOT_TOPIC = "zoneledger/v1"


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    """A broker for this page alone."""
    yield from lend(Mosquitto)


@pytest.fixture(scope="module")
def service(broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that publishes, and knows a morning of two invented cells."""
    directory = tmp_path_factory.mktemp("page")
    scenario, plant = demo_scenario(cells=2, seed=5), directory / "plant.json"
    plant.write_text(json.dumps(plant_document(scenario)))
    flags = ["--database", f"sqlite:///{directory / 'page.db'}", "--broker", broker.url, "--plant", str(plant)]
    with ForkedService(*flags, settings={"ZONELEDGER_PUBLISH_ROOT": ROOT_TOPIC}) as service:
        asyncio.run(_simulate(scenario, service.url))
        yield service


async def _simulate(scenario: Scenario, url: str) -> None:
    async with httpx.AsyncClient(base_url=url, timeout=60) as client:
        until_us = START_US + HOURS_US
        await simulate(scenario, start_us=START_US, until_us=until_us, sender=HttpSender(client), now_us=now_us)


async def _output(*arguments: str) -> str:
    program = await asyncio.create_subprocess_exec(
        sys.executable, *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    out, _ = await program.communicate()
    return out.decode()


def _least(kpi: dict[str, Any]) -> str:
    return "at least " if kpi["time_s"]["unknown"] > 0.005 * kpi["planned_s"] else ""


async def test_the_program_on_figures_prints_bounds_alone_where_they_lie_far_apart(service: ServiceProcess) -> None:
    """The line sends until half past two: of its late shift half an hour is known."""
    printed = await _output(str(EXAMPLES / "figures.py"), service.url, LINE, PARTLY_KNOWN)
    kpi = await asyncio.to_thread(service.get, f"/v1/kpi/{LINE}", shift=PARTLY_KNOWN)
    low, high = kpi["oee_bounds"]
    assert high - low > 0.1
    first = f"{LINE}: OEE between {low:.1%} and {high:.1%}, at least {kpi['fasteners']['made']} made"
    assert printed.splitlines()[0] == first


async def test_the_program_on_figures_prints_those_of_each_unit(service: ServiceProcess) -> None:
    printed = await _output(str(EXAMPLES / "figures.py"), service.url, LINE, SHIFT)
    told = []
    for unit in (LINE, f"{LINE}/cell-1", f"{LINE}/cell-2"):
        kpi = await asyncio.to_thread(service.get, f"/v1/kpi/{unit}", shift=SHIFT)
        low, high = kpi["oee_bounds"]
        assert high - low <= 0.1
        bounds = f"(between {low:.1%} and {high:.1%})"
        told.append(f"{unit}: OEE {kpi['oee']:.1%} {bounds}, {_least(kpi)}{kpi['fasteners']['made']} made")
    assert printed.splitlines() == told
    wrong = await _output(str(EXAMPLES / "figures.py"), service.url, LINE, "2026-11-25/none")
    assert "its shifts: early" in wrong


async def test_the_one_request_for_a_dashboard_has_the_line_and_each_cell_as_kpi_tells_them(
    service: ServiceProcess,
) -> None:
    [path] = re.findall(r"curl 'http://127\.0\.0\.1:8000(/v1/\S+shift=now\S*)'", section(PAGE, "REST"))
    answer = await asyncio.to_thread(
        httpx.get, f"{service.url}{path.replace('shift=now', f'shift={SHIFT}')}", timeout=60
    )
    rows = {row["unit"]: row for row in map(json.loads, answer.text.splitlines())}
    levels = {unit: row["level"] for unit, row in rows.items()}
    assert [unit for unit, level in levels.items() if level != "zone"] == [LINE, f"{LINE}/cell-1", f"{LINE}/cell-2"]
    for unit in (LINE, f"{LINE}/cell-1", f"{LINE}/cell-2"):
        kpi = await asyncio.to_thread(service.get, f"/v1/kpi/{unit}", shift=SHIFT)
        row = rows[unit]
        assert (row["shift"], row["oee"], [row["oee_low"], row["oee_high"]]) == (SHIFT, kpi["oee"], kpi["oee_bounds"])
        assert (row["known"], row["made"]) == (kpi["known"], kpi["fasteners"]["made"])


async def test_a_reader_of_csv_takes_a_zone_for_a_number_and_one_of_parquet_does_not(
    service: ServiceProcess, tmp_path: Path
) -> None:
    """What the page on tables says of CSV is what a reader of it does."""
    kinds = {}
    with duckdb.connect() as database:
        for form in ("csv", "parquet"):
            answer = await asyncio.to_thread(
                httpx.get, f"{service.url}/v1/tables/panels?unit={LINE}&shift={SHIFT}&format={form}", timeout=60
            )
            file = tmp_path / f"panels.{form}"
            file.write_bytes(answer.content)
            kinds[form] = dict(database.execute(f"SELECT zone, typeof(zone) FROM '{file}'").fetchall())
    assert kinds == {"csv": {1: "BIGINT", 2: "BIGINT"}, "parquet": {"1": "VARCHAR", "2": "VARCHAR"}}


async def test_the_program_on_states_prints_each_change(service: ServiceProcess, broker: Mosquitto) -> None:
    program = await asyncio.create_subprocess_exec(
        *(sys.executable, str(EXAMPLES / "states.py"), "127.0.0.1", str(broker.port), ROOT_TOPIC),
        stdout=asyncio.subprocess.PIPE,
    )
    assert program.stdout is not None
    printed: list[str] = []

    async def read_all(output: asyncio.StreamReader) -> None:
        while line := await output.readline():
            printed.append(line.decode().strip())

    reading = asyncio.create_task(read_all(program.stdout))
    try:
        await until(lambda: "the service is up" in printed, f"up: {printed}")
        await until(lambda: any(line.startswith(f"{CELL}/2 unknown") for line in printed), "every zone")
        async with MqttSender(parse_broker_url(broker.url)) as sender:
            message = {"v": 1, "boot": 2**40, "seq": 0, "at": rfc3339(now_us()), "type": "snapshot", "alarms": []}
            zones = {"1": {"activity": "process"}, "2": {"wait": "operator"}}
            await sender.send(CELL, json.dumps(message | {"zones": zones}).encode())
            await until(lambda: {f"{CELL}/1 running process", f"{CELL}/2 idle operator"} <= set(printed), "changes")
    finally:
        program.kill()
        await program.wait()
        await reading


async def test_the_query_on_the_page_answers_from_the_table(
    service: ServiceProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = f"/v1/tables/spans?unit={LINE}&shift={SHIFT}&format=parquet"
    assert f"http://127.0.0.1:8000{path}" in section(PAGE, "Tables")
    answer = await asyncio.to_thread(httpx.get, f"{service.url}{path}", timeout=60)
    (tmp_path / "spans.parquet").write_bytes(answer.content)
    [query] = [block.text for block in blocks(section(PAGE, "Tables")) if block.words == ("sql",)]
    monkeypatch.chdir(tmp_path)
    with duckdb.connect() as database:
        found = database.execute(query).fetchall()
    kpi = await asyncio.to_thread(service.get, f"/v1/kpi/{LINE}/cell-1", shift=SHIFT)
    assert sum(row[3] for row in found if row[:2] == (f"{LINE}/cell-1", "fault")) == pytest.approx(
        kpi["time_s"]["fault"] / 60, abs=1
    )
    assert [row[3] for row in found] == sorted((row[3] for row in found), reverse=True)


async def test_the_metrics_of_a_service_with_a_broker_say_that_it_is_there(service: ServiceProcess) -> None:
    text = (await asyncio.to_thread(httpx.get, f"{service.url}/metrics")).text
    values = {sample.name: sample.value for family in text_string_to_metric_families(text) for sample in family.samples}
    for name in ("broker_connected", "lease_held", "publisher_connected", "database_up"):
        assert values[f"{PREFIX}{name}"] == 1, name
    assert values[f"{PREFIX}broker_unacknowledged_messages"] == 0


def test_exactly_the_metrics_that_there_are_are_listed() -> None:
    listed = {
        codes(row[0])[0]: (row[1], row[2])
        for row in rows(section(read("docs/operations.md"), "Metrics"))
        if row[0].startswith("`")  # the other table is of alerts
    }
    kinds = {"counter": "_total", "gauge": "", "histogram": ""}
    told = {name: metric.kind(name, "").type for name, metric in METRICS.items()}
    assert listed.keys() == {f"{PREFIX}{name}{kinds[kind]}" for name, kind in told.items()}
    for name, metric in METRICS.items():
        kind, labels = listed[f"{PREFIX}{name}{kinds[told[name]]}"]
        assert (kind, tuple(codes(labels))) == (told[name], metric.labels), name


@pytest.mark.parametrize("page", ["docs/integration.md"])  # the others are in deploy/alerts.yml
def test_alerts_name_metrics_that_there_are(page: str) -> None:
    text = section(read(page), "Metrics")
    named = {word for block in blocks(text) for word in block.text.replace("(", " ").replace("[", " ").split()}
    mentioned = {word for word in named if word.startswith(PREFIX)}
    assert mentioned
    there = {f"{PREFIX}{name}{ending}" for name in METRICS for ending in ("", "_total", "_bucket", "_sum", "_count")}
    assert mentioned <= there


def test_the_columns_on_the_page_are_those_of_the_tables() -> None:
    page = read("docs/tables.md")
    assert table_columns.rewritten(page) == page, "run: .venv/bin/python -m tests.docs.table_columns"
    assert f"At most {AT_ONCE} are sent at once" in page


def test_every_field_that_is_published_is_on_the_page() -> None:
    schemas = asyncapi_document()["components"]["schemas"]
    explained = set(codes(section(PAGE, "MQTT")))
    for name, schema in schemas.items():
        if name.startswith("published-"):
            assert set(schema["properties"]) <= explained, name


def test_payloads_on_the_page_are_as_the_document_says() -> None:
    told: list[dict[str, Any]] = [
        json.loads(block.text) for block in blocks(section(PAGE, "MQTT")) if block.words == ("json",)
    ]
    schemas = asyncapi_document()["components"]["schemas"]
    assert set(told[0]) == set(schemas["published-state"]["properties"])
    assert set(told[1]) == set(schemas["published-shift"]["properties"])
    assert set(told[1]["present"]) == set(schemas["published-figures"]["properties"])


def test_the_examples_are_linked_and_short() -> None:
    for example in EXAMPLES.glob("*.py"):
        assert f"(examples/{example.name})" in PAGE
        assert len(example.read_text(encoding="utf-8").splitlines()) <= 40
    assert (DOCS / "examples").is_dir()
