"""The command line: serve, demo, simulate, verify, doctor, import, report, refused, retry, migrate, backup, rebuild."""

import json
import logging
import os
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError

from zoneledger.application.rebuild import rebuild as rebuild_cell
from zoneledger.bootstrap import build_service
from zoneledger.clock import now_us
from zoneledger.settings import Settings, faults_of, not_read
from zoneledger.storage.backup import back_up
from zoneledger.storage.schema import migrate as migrate_schema
from zoneledger.wording import counted
from zoneledger_cli.demo import run_demo
from zoneledger_cli.doctor import doctor
from zoneledger_cli.files import Against, import_messages, report
from zoneledger_cli.progress import progress
from zoneledger_cli.refusing import refused, retry
from zoneledger_cli.running import console as _console
from zoneledger_cli.running import run as _run
from zoneledger_cli.running import run_until_told, say
from zoneledger_cli.serving import serve as serve_settings
from zoneledger_cli.simulating import Target, begin_of, run_simulation, write_plant
from zoneledger_cli.verification_table import show
from zoneledger_cli.verifying import verify as verify_ledger
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour

log = logging.getLogger(__name__)

app = typer.Typer(name="zoneledger", no_args_is_help=True, add_completion=False)

Database = Annotated[str | None, typer.Option(help="Database URL: sqlite:///file or postgresql://...")]


def _tell_version(asked: bool) -> None:
    if asked:
        typer.echo(f"zoneledger {version('zoneledger')}")
        raise typer.Exit


@app.callback()
def zoneledger(
    _: Annotated[
        bool, typer.Option("--version", help="Tell the version and end", callback=_tell_version, is_eager=True)
    ] = False,
) -> None:
    """Book every second of a two-zone cell once, and answer OEE, fasteners per hour and zone utilisation over REST."""


def _settings(**flags: Any) -> Settings:
    """Return the settings of the environment, with the flags that were given in their place; end with 1 where one is wrong."""
    try:
        return Settings(**{name: value for name, value in flags.items() if value is not None})
    except ValidationError as error:
        for fault in faults_of(error):
            say(fault)
        raise typer.Exit(1) from None


def _log_as_a_service() -> None:
    """Log to standard error; alembic's word that it looks at the schema comes with each question for readiness and is left out."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    migrating = logging.getLogger("alembic.runtime.migration")
    migrating.addFilter(lambda record: record.getMessage().startswith("Running"))


@app.command()
def serve(
    database: Database = None,
    broker: Annotated[
        str | None, typer.Option(help="Broker URL: mqtt://host:port or mqtts://...; none: no broker")
    ] = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on", min=1, max=65535)] = None,
    plant: Annotated[
        Path | None,
        typer.Option(help="A plant.yaml that replaces the plant in the database at each start", dir_okay=False),
    ] = None,
) -> None:
    """Serve the REST API and take in what the broker brings, until told to end."""
    _log_as_a_service()
    for sentence in not_read(os.environ):
        log.warning(sentence)
    run_until_told(
        serve_settings(_settings(database_url=database, broker_url=broker, host=host, port=port, plant=plant))
    )


@app.command()
def demo(
    once: Annotated[bool, typer.Option("--once", help="End after the shift's figures")] = False,
    cells: Annotated[int, typer.Option(help="Number of cells", min=1, max=30)] = 2,
    seed: Annotated[int, typer.Option(help="Seed of the simulation")] = 1,
    port: Annotated[int, typer.Option(help="Port to listen on; another one if it is taken")] = 8000,
    database: Database = None,
) -> None:
    """Simulate an invented line over an embedded broker, show its last shift's figures beside the truth, and go on live."""
    logging.basicConfig(level=logging.WARNING)
    run_until_told(run_demo(once=once, cells=cells, seed=seed, port=port, database=database, console=_console()))


@app.command()
def simulate(
    start: Annotated[
        str,
        typer.Option(help="Where simulated time begins: ISO 8601 with an offset, or now, which goes on in real time"),
    ],
    hours: Annotated[
        float | None, typer.Option(help="How long to simulate; none: until interrupted", min=0.001)
    ] = None,
    broker: Annotated[str | None, typer.Option(help="Send to this broker: mqtt://host:port")] = None,
    url: Annotated[str | None, typer.Option(help="Send to the service itself: http://host:port")] = None,
    topic_root: Annotated[str, typer.Option(help="Root of the topics")] = "cells/v1",
    cells: Annotated[int, typer.Option(min=1, max=1000)] = 2,
    zones: Annotated[int, typer.Option(help="Zones of each cell", min=1, max=8)] = 2,
    seed: int = 1,
    pace: Annotated[
        float | None,
        typer.Option(
            help="1: real time, 60: a minute a second; none: at once, and from now on in real time", min=0.001
        ),
    ] = None,
    ledger: Annotated[Path | None, typer.Option(help="Write what was sent, and the truth, to this file")] = None,
    plant: Annotated[
        Path | None, typer.Option(help="Only write the plant model that fits to this file, and end")
    ] = None,
    duplicate: Annotated[float, typer.Option(help="Share of messages sent twice", min=0, max=1)] = 0,
    reorder: Annotated[float, typer.Option(help="Share of messages sent out of order", min=0, max=1)] = 0,
    lose: Annotated[float, typer.Option(help="Share of messages never sent", min=0, max=1)] = 0,
    late: Annotated[float, typer.Option(help="Share of messages sent up to half an hour late", min=0, max=1)] = 0,
    reboots_per_hour: Annotated[float, typer.Option(help="How often an hour a controller starts anew", min=0)] = 0,
    clock_steps_per_hour: Annotated[float, typer.Option(help="Steps of the controllers' clocks an hour", min=0)] = 0,
) -> None:
    """Send what simulated cells do, well-behaved or not, and print the simulation's own truth."""
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    faults = Misbehaviour(
        duplicate=duplicate,
        reorder=reorder,
        lose=lose,
        late=late,
        reboots_per_hour=reboots_per_hour,
        clock_steps_per_hour=clock_steps_per_hour,
    )
    scenario = demo_scenario(cells=cells, zones=zones, seed=seed, misbehaviour=faults)
    if plant is not None:
        write_plant(scenario, plant)
        return
    start_us, pace = begin_of(start, pace)
    until_us = None if hours is None else start_us + round(hours * 3_600_000_000)

    async def work() -> None:
        target = Target(broker, url, topic_root)
        length_us = None if until_us is None else until_us - start_us
        with progress("simulate", length_us, "messages") as told:
            truth = await run_simulation(
                scenario, target, start_us=start_us, until_us=until_us, pace=pace, ledger=ledger, told=told
            )
        for unit in truth.cells(scenario.site):
            account = truth.window(unit, truth.start_us, truth.until_us)
            times = ", ".join(f"{state} {us / 1e6:.3f} s" for state, us in account.time_us.items())
            typer.echo(f"{unit}: {counted(account.made, 'fastener', 'fasteners')} {account.final}, {times}")

    (run_until_told if hours is None else _run)(work())


@app.command()
def migrate(database: Database = None) -> None:
    """Bring the database's schema to this program's."""
    settings = _settings(database_url=database)
    _run(migrate_schema(settings.database_url))
    typer.echo("the schema is up to date")


@app.command()
def backup(
    copy: Annotated[Path, typer.Argument(help="The file to write; it must not be there yet")],
    database: Database = None,
) -> None:
    """Copy an SQLite database into a file, while the service may be running."""
    settings = _settings(database_url=database)

    async def work() -> None:
        revision = back_up(settings.database_url, copy)
        typer.echo(f"{copy} holds the whole database, schema {revision}, {copy.stat().st_size:,} bytes")

    _run(work())


@app.command()
def rebuild(
    cell: Annotated[str, typer.Argument(help="The cell's path, such as harbour/wing-1/cell-1")],
    database: Database = None,
) -> None:
    """Derive a cell's ledger anew from its messages."""
    settings = _settings(database_url=database)

    async def work() -> None:
        await migrate_schema(settings.database_url)
        service = build_service(settings.database_url)
        try:
            async with service.store.reading() as reading:
                head = (await reading.heads([cell])).get(cell)
            with progress("rebuild", head.counts.get("events") if head else None, "events") as told:
                changed = await rebuild_cell(
                    service.store, cell, now_us, service.limits, lambda events: told(events, events)
                )
        finally:
            await service.store.close()
        typer.echo("the figures were right" if not changed else "the figures were mended")

    _run(work())


@app.command()
def verify(
    ledger: Annotated[Path, typer.Argument(help="The ledger file of a simulation")],
    against: Against,
    wait: Annotated[
        float, typer.Option(help="Seconds to wait at most until it is ready, and again until all is stored", min=0)
    ] = 120,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs")] = False,
) -> None:
    """Tell what became of the messages of a simulation's ledger file, and whether the figures are its truth."""

    async def work() -> None:
        with progress("verify", 1.0, "messages") as told:
            found = await verify_ledger(ledger, against, wait, told=told)
        if as_json:
            typer.echo(json.dumps(found.document(), indent=2))
        else:
            show(found, _console())
        if not found.agrees:
            raise typer.Exit(1)

    _run(work())


app.command()(refused)
app.command()(retry)
app.command()(doctor)
app.command("import")(import_messages)
app.command()(report)
