"""What the pages of these tests show: an invented line on a fixed day, hostile names among them, and plants that are empty."""

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import httpx

from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger.core.validation import parse_instant
from zoneledger_cli.simulating import Target, run_simulation, write_plant
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.durations import Exponential, Triangular
from zoneledger_sim.plan import AlarmPlan, Misbehaviour, Moment, PanelWait, Scenario

LINE = "harbour/wing-1"
#: A shift of every state; the one after it has missing data; of the last nobody heard anything.
WHOLE, MISSING, NOTHING = "2026-03-02/early", "2026-03-02/late", "2026-03-02/night"
HOUR_US = 3_600_000_000

#: Texts that a page might take for markup, read backwards, or be torn apart by.
MARKUP = "<img src=x onerror=alert(1)><script>alert(2)</script>"
BACKWARDS = "clamp \u05d0\u05d1\u05d2 \u0645\u0631\u062d\u0628\u0627 force"
LONG = "very-long-" * 19
HOSTILE = (MARKUP, BACKWARDS, LONG)


def scenario(misbehaviour: Misbehaviour, seed: int) -> Scenario:
    """Return the demo's line, in which zones often stand without a reason."""
    made = demo_scenario(cells=2, seed=seed, misbehaviour=misbehaviour)
    silent = PanelWait(None, Moment.BEFORE_PROCESS, 0.35, Triangular(240, 600, 1500))
    cells = [replace(cell, panel_waits=(*cell.panel_waits, silent)) for cell in made.cells]
    return replace(made, cells=tuple(cells))


def hostile_scenario() -> Scenario:
    """Return a cell whose alarms and programs have names that a page might take for something else."""
    made = demo_scenario(cells=1, seed=9)
    alarms = tuple(AlarmPlan(text, "stop", Exponential(400), Exponential(60), text=text) for text in HOSTILE)
    programs = tuple(replace(one, program=text) for one, text in zip(made.cells[0].programs, HOSTILE, strict=False))
    return replace(made, cells=(replace(made.cells[0], alarms=alarms, programs=programs),))


def play(url: str, line: Scenario, start: str, hours: float) -> None:
    """Send what the cells do from an instant on, as fast as the service takes it."""
    start_us = parse_instant("start", start)
    target = Target(None, url, "cells/v1")
    until_us = start_us + round(hours * HOUR_US)
    work = run_simulation(line, target, start_us=start_us, until_us=until_us, pace=None, ledger=None)
    with ThreadPoolExecutor(1) as thread:  # the browser's event loop runs in this one
        thread.submit(asyncio.run, work).result()


@contextmanager
def played_line(folder: Path) -> Iterator[ServiceProcess]:
    """Run a service that knows the whole shift, the one with missing data, and nothing after it."""
    line, broken = scenario(Misbehaviour(lose=0.0003), 7), scenario(Misbehaviour(lose=0.01, reboots_per_hour=0.7), 8)
    with _served(folder, "line", line) as service:
        play(service.url, line, "2026-03-02T06:00:00Z", 8)
        play(service.url, broken, "2026-03-02T14:00:00Z", 7.5)
        yield service


@contextmanager
def hostile_line(folder: Path) -> Iterator[ServiceProcess]:
    """Run a service that knows an hour of a cell with hostile names."""
    with _served(folder, "hostile", hostile_scenario()) as service:
        play(service.url, hostile_scenario(), "2026-03-02T06:00:00Z", 2)
        yield service


@contextmanager
def _served(folder: Path, name: str, line: Scenario) -> Iterator[ServiceProcess]:
    plant = folder / f"{name}.json"
    write_plant(line, plant)
    with ForkedService("--database", f"sqlite:///{folder / name}.db", "--plant", str(plant)) as service:
        yield service


@contextmanager
def without_a_plant(folder: Path) -> Iterator[ServiceProcess]:
    """Run a service to which nobody has declared a plant yet."""
    with ForkedService("--database", f"sqlite:///{folder / 'empty.db'}") as service:
        yield service


def ask(service: ServiceProcess, path: str, **query: str) -> httpx.Response:
    """Return what a service answers."""
    return httpx.get(f"{service.url}{path}", params=query, timeout=60)
