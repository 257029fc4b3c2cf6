"""A simulated week of many cells, each cell's messages shuffled over all of it and one in ten sent twice: the figures are the truth.

    python -m tests.faults.week --database sqlite

The cells are those of the demo, with a snapshot every 10 s, and with heads that take `--slower` times as long for a fastener.
A late message costs its cell a refold from its place, shared by those of one transaction (4 MiB): shuffled over all of it, a
cell's messages cost the square of their number. At 1 (a fastener every 4 s, 28,000 messages of a cell and day) two
cells take four minutes; 2.5, a fastener every 10 s, is what is run by default, with some 17,000 messages of a cell and day.

The week begins with an early shift in Lisbon and holds a change of the clocks. Cells do not depend on each other, so each
hands over its whole week at once, in arrays of 1,000 over POST /v1/messages with many in flight.

Then each cell is held against the simulator's truth: what is stored, message by message; its timeline and those of its zones,
with reasons, to the microsecond; times by state and fasteners by result over the week, by shift and by day. At the end the
line is held against the sum of its cells.
"""

import argparse
import asyncio
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import httpx

from tests.faults.comparing import Checking, Found, Lived
from tests.faults.killing import a_database
from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger_cli.simulating import write_plant
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.durations import Duration
from zoneledger_sim.fates import instant_us
from zoneledger_sim.http import HttpSender
from zoneledger_sim.link import PAYLOAD_BYTES, PAYLOAD_MESSAGES
from zoneledger_sim.plan import Program, Scenario
from zoneledger_sim.simulation import Simulation, messages

#: An early shift's begin; the clocks of Lisbon change on the Sunday after it.
START_US = instant_us("2026-10-19T06:00:00+01:00")
HOUR_US, DAY_US = 3_600_000_000, 86_400_000_000
DUPLICATED = 0.1
#: Enough that some transactions' worth of messages wait while one is recorded.
IN_FLIGHT = 64
SLOWER = 2.5


@dataclass(frozen=True)
class _Slower:
    """A duration, so many times as long."""

    duration: Duration
    factor: float

    def draw_us(self, rng: random.Random, /) -> int:
        return round(self.duration.draw_us(rng) * self.factor)


def _slower(program: Program, factor: float) -> Program:
    steps = [
        replace(step, head=_Slower(step.head, factor), standard_s=(step.standard_s or 0) * factor)
        for step in program.steps
    ]
    return replace(program, steps=tuple(steps))


def scenario_of(cells: int, seed: int, slower: float = SLOWER) -> Scenario:
    """Return the line of the demo with slower heads, and with shifts that leave no time unplanned, so that all of it counts."""
    made = demo_scenario(cells=cells, seed=seed)
    plans = [replace(plan, programs=tuple(_slower(one, slower) for one in plan.programs)) for plan in made.cells]
    return replace(made, cells=tuple(plans), shifts=tuple(replace(shift, meal=None) for shift in made.shifts))


def lived(scenario: Scenario, cell: int, until_us: int) -> Lived:
    """Let one cell of a scenario live its days."""
    plan = scenario.cells[cell]
    simulation = Simulation(replace(scenario, cells=(plan,)), START_US)
    texts = [json.dumps(message, separators=(",", ":")).encode() for _, message in messages(simulation, until_us)]
    return Lived(scenario.path(plan.cell), texts, simulation.truth)


def shuffled(texts: list[bytes], rng: random.Random) -> list[bytes]:
    """Return all messages and a share of them again, in an order that chance decides."""
    all_texts = texts + rng.sample(texts, round(DUPLICATED * len(texts)))
    rng.shuffle(all_texts)
    return all_texts


def _payloads(texts: list[bytes]) -> Iterator[bytes]:
    """Yield messages in arrays as large as may be, from the last to the first; none of them is left."""
    while texts:
        taken = [texts.pop()]
        size = len(taken[0]) + 2
        while texts and len(taken) < PAYLOAD_MESSAGES and (size := size + len(texts[-1]) + 1) <= PAYLOAD_BYTES:
            taken.append(texts.pop())
        yield b"[" + b",".join(taken) + b"]"


async def hand_over(url: str, cell: str, texts: list[bytes]) -> None:
    """Post a cell's messages, and return once all are stored; raises where one is refused."""
    room = asyncio.Semaphore(IN_FLIGHT)

    async def post(sender: HttpSender, payload: bytes) -> None:
        try:
            await sender.send(cell, payload)
        finally:
            room.release()

    limits = httpx.Limits(max_connections=IN_FLIGHT)
    async with httpx.AsyncClient(base_url=url, timeout=900, limits=limits) as client, asyncio.TaskGroup() as tasks:
        sender = HttpSender(client)
        for payload in _payloads(texts):
            await room.acquire()
            tasks.create_task(post(sender, payload))


def run(database: str, until_us: int, scenario: Scenario, say: Callable[[str], object] = str) -> Found:
    """Let cells live until an instant, hand it over shuffled to a service on a database's URL, and compare."""
    with serving(database, scenario) as service:
        checking = Checking(service, START_US, until_us)
        for number in range(len(scenario.cells)):
            week, began_s = lived(scenario, number, until_us), time.monotonic()
            sent = shuffled(week.texts, scenario.rng(f"{week.cell} shuffled"))
            again = len(sent) - len(week.texts)
            asyncio.run(hand_over(service.url, week.cell, sent))
            stored_s = time.monotonic() - began_s
            checking.check_cell(week, again)
            say(f"{week.cell}: stored after {stored_s:.1f} s; so far {checking.found}")
        checking.check_line(f"{scenario.site}/{scenario.line}")
    return checking.found


@contextmanager
def serving(database: str, scenario: Scenario) -> Iterator[ServiceProcess]:
    """Serve a scenario's plant on a database's URL."""
    with tempfile.TemporaryDirectory(prefix="zoneledger-week-") as directory:
        plant = Path(directory) / "plant.json"
        write_plant(scenario, plant)
        with ForkedService("--database", database, "--plant", str(plant)) as service:
            yield service


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults.week", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--database", choices=["sqlite", "postgresql"], default="sqlite")
    parser.add_argument("--cells", type=int, default=30)
    parser.add_argument("--days", type=int, default=7)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--slower", type=float, default=SLOWER, help="than the demo's cells, for a fastener")
    return parser.parse_args()


def main() -> int:
    """Run it on a database of its own; return 1 where anything is lost, stored twice or different."""
    asked, began_s = _arguments(), time.monotonic()
    scenario = scenario_of(asked.cells, asked.seed, asked.slower)
    # Whole shifts: the last one ends on the wall clock where the first began.
    until_us = START_US + asked.days * DAY_US + (HOUR_US if asked.days >= 7 else 0)
    with ExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="zoneledger-week-")))
        database = stack.enter_context(a_database(asked.database, directory))
        found = run(database, until_us, scenario, partial(print, flush=True))
    took_s = time.monotonic() - began_s
    for sentence in found.wrong[:20]:
        print(sentence)
    many = f"{asked.cells} cells, {asked.days} days, heads {asked.slower:g} times as slow, seed {asked.seed}"
    print(f"{asked.database}: {many}: {found}, {took_s:.0f} s")
    return 0 if found.is_faultless else 1


if __name__ == "__main__":
    sys.exit(main())
