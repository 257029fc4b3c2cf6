"""How much room a message takes with its rows of the ledger, on both databases, by what simulated cells send in a day."""

import asyncio
from pathlib import Path
from typing import Any

import asyncpg

from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us
from zoneledger.core.figures import HOUR_US
from zoneledger_cli.simulating import Target, run_simulation, write_plant
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Scenario

#: What is forgotten with `ZONELEDGER_KEEP_MESSAGES_DAYS`; the rest of the tables is the ledger and what belongs to it.
MESSAGES = ("events", "snapshots")
#: A cell that makes some 20,000 events a day and a snapshot each ten seconds.
YEAR = 365 * (20_000 + 8_640)


def _take_in(service: ServiceProcess, scenario: Scenario, hours: float) -> dict[str, int]:
    """Send what the cells do in the hours before this one; return how many events and snapshots were stored."""
    until_us = now_us() // HOUR_US * HOUR_US
    start_us, target = until_us - round(hours * HOUR_US), Target(None, service.url, "cells/v1")
    running = run_simulation(scenario, target, start_us=start_us, until_us=until_us, pace=None, ledger=None)
    asyncio.run(running)
    return {name: service.received(name) for name in MESSAGES}


async def _sizes(url: str) -> dict[str, int]:
    """Return the bytes of each table with its indexes, and of all the write-ahead log that was ever written."""
    connection = await asyncpg.connect(url)
    await connection.execute("VACUUM")
    sizes = await connection.fetch("SELECT relname, pg_total_relation_size(relid) FROM pg_stat_user_tables")
    log = await connection.fetchval("SELECT (pg_current_wal_lsn() - '0/0')::bigint")
    await connection.close()
    return dict(map(tuple, sizes)) | {"log": log}


def _each(found: dict[str, int], taken: dict[str, int]) -> dict[str, Any]:
    messages = sum(taken.values())
    each = {f"{name}_bytes_a_message": round(size / messages, 1) for name, size in found.items()}
    return taken | each | {"gb_a_cell_and_year": round(found["all"] / messages * YEAR / 1e9, 1)}


def on_postgresql(url: str, scenario: Scenario, plant: Path, hours: float) -> dict[str, Any]:
    """Return bytes for each message on PostgreSQL: of messages, of the ledger, and of the write-ahead log."""
    with ServiceProcess("--database", url, "--plant", str(plant)) as service:
        before = asyncio.run(_sizes(url))
        taken = _take_in(service, scenario, hours)
    after = asyncio.run(_sizes(url))
    grown = {name: after[name] - before[name] for name in after}
    messages, log = sum(grown[name] for name in MESSAGES), grown.pop("log")
    whole = sum(grown.values())
    return _each({"messages": messages, "ledger": whole - messages, "all": whole, "write_ahead_log": log}, taken)


def on_sqlite(file: Path, scenario: Scenario, plant: Path, hours: float) -> dict[str, Any]:
    """Return bytes for each message in the file of SQLite, once its log is in it."""
    url = f"sqlite:///{file}"
    with ServiceProcess("--database", url):
        pass
    before = file.stat().st_size
    with ServiceProcess("--database", url, "--plant", str(plant)) as service:
        taken = _take_in(service, scenario, hours)
    return _each({"all": file.stat().st_size - before}, taken)


def fill(url: str, scenario: Scenario, folder: Path, hours: float) -> None:
    """Take in what the cells did in the last hours, on an empty database."""
    plant = folder / "filled.json"
    write_plant(scenario, plant)
    with ServiceProcess("--database", url, "--plant", str(plant)) as service:
        _take_in(service, scenario, hours)


def measure(url: str, folder: Path, cells: int, hours: float) -> dict[str, Any]:
    """Return both databases' bytes for each message; the PostgreSQL at `url` is empty."""
    scenario, plant = demo_scenario(cells=cells), folder / "growth.json"
    write_plant(scenario, plant)
    return {
        "cells": cells,
        "hours": hours,
        "postgresql": on_postgresql(url, scenario, plant, hours),
        "sqlite": on_sqlite(folder / "growth.db", scenario, plant, hours),
    }
