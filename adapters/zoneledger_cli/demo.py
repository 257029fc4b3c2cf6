"""The demo: an invented line of simulated cells works a shift over a real message bus, and the service is asked for it."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic
from typing import Any
from zoneinfo import ZoneInfo

import httpx
from rich.console import Console

from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.core.plant import Line as PlantLine
from zoneledger.core.shifts import ShiftInstance, instances
from zoneledger.core.validation import parse_instant
from zoneledger.plant_document import read_json, to_plant
from zoneledger.settings import Settings
from zoneledger.wording import counted
from zoneledger_cli import sheet
from zoneledger_cli.listening import free_port
from zoneledger_cli.serving import serving
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.embedded import embedded_broker
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.ledger_file import LedgerFile
from zoneledger_sim.pace import at_once, real_time
from zoneledger_sim.plan import Scenario
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import play
from zoneledger_sim.simulation import Simulation

#: How long the service may take to book what the broker has acknowledged.
DRAIN_S = 120.0


class DemoFailed(Exception):
    """The demo could not show what it is there to show; the message says what."""


@dataclass(frozen=True, slots=True)
class Bench:
    """All that runs for a demo: the broker, the service's address, the simulated plant on its way through the broker."""

    broker: str
    address: str
    client: httpx.AsyncClient
    simulation: Simulation
    sender: MqttSender
    ledger: LedgerFile


def last_shift(scenario: Scenario, at_us: int) -> ShiftInstance:
    """Return the last shift of the scenario's line that was over at an instant."""
    line: PlantLine = to_plant(read_json(json.dumps(plant_document(scenario)))).sites[0].lines[0]
    found = instances(line, ZoneInfo(scenario.timezone), at_us - 2 * DAY_US, at_us)
    return [shift for shift in found if shift.end_us <= at_us][-1]


def _cells(scenario: Scenario) -> list[str]:
    return [scenario.path(plan.cell) for plan in scenario.cells]


async def _get(client: httpx.AsyncClient, path: str, **query: str) -> dict[str, Any]:
    answer = await client.get(path, params=query)
    if answer.status_code != 200:
        raise DemoFailed(f"GET {path} answered {answer.status_code}: {answer.text}")
    found: dict[str, Any] = answer.json()
    return found


async def _until_ready(client: httpx.AsyncClient) -> None:
    """Wait until the service listens to the broker: what is published before that is not kept for it."""
    deadline = monotonic() + DRAIN_S
    while (await client.get("/health/ready")).status_code != 200:
        if monotonic() > deadline:
            raise DemoFailed(f"the service was not ready within {DRAIN_S:g} s")
        await asyncio.sleep(0.05)


def _last_message_us(units: dict[str, Any], cell: str) -> int:
    """Return the booked time of a cell's last message, 0 before any."""
    cells = [one for site in units["sites"] for line in site["lines"] for one in line["cells"]]
    told = next(one["last_message"] for one in cells if one["unit"] == cell)
    return parse_instant("last_message", told) if told else 0


async def _until_booked(bench: Bench, until_us: int) -> None:
    """Wait until the ledger of every cell reaches the simulation's end: its last snapshot is booked then."""
    deadline = monotonic() + DRAIN_S
    for cell in _cells(bench.simulation.scenario):
        while True:
            units = await _get(bench.client, "/v1/units")
            if _last_message_us(units, cell) >= until_us:
                break
            if monotonic() > deadline:
                raise DemoFailed(f"the messages of {cell} were not booked within {DRAIN_S:g} s")
            await asyncio.sleep(0.1)


async def _show_shift(bench: Bench, shift: ShiftInstance, console: Console) -> None:
    scenario, units, lines = bench.simulation.scenario, {}, []
    stops = shift.planned()
    for cell in _cells(scenario):
        kpi = await _get(bench.client, f"/v1/kpi/{cell}", shift=shift.id)
        truths = [bench.simulation.truth.window(cell, *interval) for interval in stops]
        account = truths[0]
        for truth in truths[1:]:
            account += truth
        lines += sheet.compare(kpi, account)
        units[cell] = sheet.compare(kpi, account) + sheet.derived(kpi) + sheet.zones(kpi)
    console.print(sheet.table_of(f"Shift {shift.id} of {scenario.site}/{scenario.line} (invented data)", units))
    wrong = sheet.disagreements(lines)
    if wrong:
        differ = counted(len(wrong), "figure differs", "figures differ")
        raise DemoFailed(f"{differ} from the truth, the first: {wrong[0]}")
    console.print(f"All {len(lines)} times and counts equal the simulator's own truth.")


@asynccontextmanager
async def _bench(
    folder: Path, scenario: Scenario, start_us: int, port: int, database: str | None
) -> AsyncIterator[Any]:
    plant = folder / "plant.json"
    plant.write_text(json.dumps(plant_document(scenario), indent=2))
    async with embedded_broker() as broker:
        settings = Settings(
            database_url=database or f"sqlite:///{folder / 'demo.db'}",
            broker_url=broker,
            host="127.0.0.1",
            port=free_port("127.0.0.1", port),
            plant=plant,
            authenticate=False,
            proxy=None,
        )
        async with (
            serving(settings) as (address, server),
            httpx.AsyncClient(base_url=address, timeout=60) as client,
            MqttSender(parse_broker_url(broker)) as sender,
        ):
            with LedgerFile(folder / "sent.jsonl", scenario, start_us) as ledger:
                yield Bench(broker, address, client, Simulation(scenario, start_us), sender, ledger), server


async def _play(bench: Bench, until_us: int | None, due: Callable[[int], int]) -> None:
    options = {"sender": bench.sender, "now_us": now_us, "ledger": bench.ledger, "due": due}
    await play(bench.simulation, until_us, **options)  # type: ignore[arg-type]


def _welcome(address: str, shift: ShiftInstance, cell: str, console: Console) -> None:
    line = cell.rpartition("/")[0]
    console.print(f"\nLive now, until Ctrl-C. Look at it:\n  {address}/\n  {address}/sheet/{line}?shift={shift.id}")
    console.print(f"Ask it:\n  {address}/v1/units\n  {address}/v1/kpi/{cell}?shift={shift.id}")
    console.print(f"  {address}/v1/timeline/{cell}?shift={shift.id}\n  {address}/openapi.json\n")


async def _live(bench: Bench, server: "asyncio.Task[None]") -> None:
    """Go on in real time until the server is told to end."""
    playing = asyncio.create_task(_play(bench, None, real_time))
    await asyncio.wait({playing, server}, return_when=asyncio.FIRST_COMPLETED)
    playing.cancel()
    with suppress(asyncio.CancelledError):
        await playing


async def run_demo(*, once: bool, cells: int, seed: int, port: int, database: str | None, console: Console) -> None:
    """Play the last whole shift through an embedded broker, show its figures beside the truth, then go on live.

    Raises DemoFailed if a figure differs from the truth.
    """
    scenario = demo_scenario(cells=cells, seed=seed)
    shift = last_shift(scenario, now_us())
    with TemporaryDirectory(prefix="zoneledger-demo-") as folder:
        async with _bench(Path(folder), scenario, shift.start_us, port, database) as (bench, server):
            work = counted(cells, "simulated cell works", "simulated cells work")
            console.print(f"{work} shift {shift.id} of an invented line over {bench.broker} ...")
            if not bench.address.endswith(f":{port}"):
                console.print(f"Port {port} is taken by another program: this one is asked on {bench.address}.")
            await _until_ready(bench.client)
            for cell in _cells(scenario):
                await bench.sender.link_up(cell, shift.start_us // 1_000_000)
            began = monotonic()
            await _play(bench, shift.end_us, at_once)
            await _until_booked(bench, shift.end_us)
            console.print(f"played and booked in {monotonic() - began:.1f} s")
            await _show_shift(bench, shift, console)
            if not once:
                _welcome(bench.address, shift, _cells(scenario)[0], console)
                await _live(bench, server)
