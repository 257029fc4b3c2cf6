"""The command line: serve, demo, simulate, verify, doctor, import, report, refused, retry, and commands for who runs it."""

import json
import logging
import os
import signal
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer

from zoneledger.environment import not_read
from zoneledger.wording import counted
from zoneledger_cli.certificates import certificates
from zoneledger_cli.databases import backup, migrate, rebuild
from zoneledger_cli.demo import run_demo
from zoneledger_cli.doctor import doctor
from zoneledger_cli.files import Against, import_messages, report
from zoneledger_cli.flags import Database, settings_of
from zoneledger_cli.keys import audit, key_app
from zoneledger_cli.logs import log_as_a_service, wanted_form
from zoneledger_cli.own_key import KeyFile, key_of
from zoneledger_cli.progress import progress
from zoneledger_cli.refusing import refused, retry
from zoneledger_cli.running import console, run, run_as_a_service, run_until_told
from zoneledger_cli.serving import serve as serve_settings
from zoneledger_cli.simulating import (
    Authorities,
    Certificate,
    CertificateKey,
    Target,
    begin_of,
    run_simulation,
    write_plant,
)
from zoneledger_cli.verification_table import show
from zoneledger_cli.verifying import verify as verify_ledger
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour

log = logging.getLogger(__name__)

# An exception's words, and what a frame holds, may be what was sent or a password: they are for the log, which leaves them out.
app = typer.Typer(name="zoneledger", no_args_is_help=True, add_completion=False, pretty_exceptions_show_locals=False)


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
    open_to_network: Annotated[
        bool,
        typer.Option("--open-to-network", help="Let everybody in who reaches the address, without asking who they are"),
    ] = False,
) -> None:
    """Serve the REST API and take in what the broker brings, until told to end."""
    form = wanted_form(os.environ)
    log_as_a_service(form)
    for sentence in not_read(os.environ):
        log.warning(sentence)
    settings = settings_of(
        database_url=database,
        broker_url=broker,
        host=host,
        port=port,
        plant=plant,
        open_to_network=open_to_network or None,
    )
    run_as_a_service(serve_settings(settings), None if form == "text" else log.critical)


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
    # Whatever ends it, it clears up as after an interrupt: the server would end the process at once.
    signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))
    run_until_told(run_demo(once=once, cells=cells, seed=seed, port=port, database=database, console=console()))


@app.command()
def simulate(
    start: Annotated[
        str,
        typer.Option(help="Where simulated time begins: ISO 8601 with an offset, or now, which goes on in real time"),
    ],
    hours: Annotated[
        float | None, typer.Option(help="How long to simulate; none: until interrupted", min=0.001)
    ] = None,
    broker: Annotated[str | None, typer.Option(help="Send to this broker: mqtt://host:port or mqtts://...")] = None,
    ca: Authorities = None,
    certificate: Certificate = None,
    key: CertificateKey = None,
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
    key_file: KeyFile = None,
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
        bearer = None if url is None else key_of(key_file)
        target = Target(broker, url, topic_root, ca, certificate, key, bearer)
        length_us = None if until_us is None else until_us - start_us
        with progress("simulate", length_us, "messages") as told:
            truth = await run_simulation(
                scenario, target, start_us=start_us, until_us=until_us, pace=pace, ledger=ledger, told=told
            )
        for unit in truth.cells(scenario.site):
            account = truth.window(unit, truth.start_us, truth.until_us)
            times = ", ".join(f"{state} {us / 1e6:.3f} s" for state, us in account.time_us.items())
            typer.echo(f"{unit}: {counted(account.made, 'fastener', 'fasteners')} {account.final}, {times}")

    (run_until_told if hours is None else run)(work())


@app.command()
def verify(
    ledger: Annotated[Path, typer.Argument(help="The ledger file of a simulation")],
    against: Against,
    wait: Annotated[
        float, typer.Option(help="Seconds to wait at most until it is ready, and again until all is stored", min=0)
    ] = 120,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs")] = False,
    key_file: KeyFile = None,
) -> None:
    """Tell what became of the messages of a simulation's ledger file, and whether the figures are its truth."""

    async def work() -> None:
        with progress("verify", 1.0, "messages") as told:
            found = await verify_ledger(ledger, against, wait, told=told, key=key_of(key_file))
        if as_json:
            typer.echo(json.dumps(found.document(), indent=2))
        else:
            show(found, console())
        if not found.agrees:
            raise typer.Exit(1)

    run(work())


app.command()(migrate)
app.command()(backup)
app.command()(rebuild)
app.command()(refused)
app.command()(retry)
app.command()(doctor)
app.command("import")(import_messages)
app.command()(report)
app.command()(audit)
app.command()(certificates)
app.add_typer(key_app, name="key")
