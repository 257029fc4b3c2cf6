"""Runs a simulation against a listener: messages go out at their pace, and what became of them is written down."""

import asyncio
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.disturb import disturb
from zoneledger_sim.ledger_file import LedgerFile
from zoneledger_sim.link import PAYLOAD_MESSAGES, Link, Sleep
from zoneledger_sim.pace import Due, at_once
from zoneledger_sim.plan import Scenario
from zoneledger_sim.sender import Sender
from zoneledger_sim.simulation import Simulation
from zoneledger_sim.truth import Truth


async def simulate(
    scenario: Scenario,
    *,
    start_us: int,
    until_us: int | None,
    sender: Sender,
    now_us: Callable[[], int],
    due: Due = at_once,
    ledger_path: Path | None = None,
    array: int = PAYLOAD_MESSAGES,
    sleep: Sleep = asyncio.sleep,
) -> Truth:
    """Simulate [start_us, until_us), or until cancelled, send all of it and return the truth.

    The ledger file, if asked for, ends with the truth however the run ends. What `sender` raises beside OSError comes
    out of here as it is.
    """
    simulation = Simulation(scenario, start_us)
    with LedgerFile(ledger_path or Path(os.devnull), scenario, start_us) as ledger:
        try:
            await play(
                simulation, until_us, sender=sender, now_us=now_us, due=due, ledger=ledger, array=array, sleep=sleep
            )
        finally:
            ledger.truth(simulation.truth)
    return simulation.truth


async def play(
    simulation: Simulation,
    until_us: int | None,
    *,
    sender: Sender,
    now_us: Callable[[], int],
    ledger: LedgerFile,
    due: Due = at_once,
    array: int = PAYLOAD_MESSAGES,
    sleep: Sleep = asyncio.sleep,
) -> None:
    """Let `simulation` go on up to `until_us`, or until cancelled, and return when all of it was acknowledged."""
    scenario = simulation.scenario
    stream = disturb(simulation.run(until_us), scenario.misbehaviour, scenario.rng("stream"), ledger.lost)
    links = {
        cell: Link(cell, sender, ledger, array=array, sleep=sleep, on_reconnect=simulation.snapshot)
        for cell in (scenario.path(plan.cell) for plan in scenario.cells)
    }
    try:
        async with asyncio.TaskGroup() as tasks:
            for link in links.values():
                tasks.create_task(link.forward())
            await _feed(stream, links, due, now_us, sleep)
    except ExceptionGroup as failures:
        raise failures.exceptions[0] from None


async def _feed(
    stream: Iterator[Outgoing], links: dict[str, Link], due: Due, now_us: Callable[[], int], sleep: Sleep
) -> None:
    for outgoing in stream:
        early_us = due(outgoing.due_us) - now_us()
        if early_us > 0:
            await sleep(early_us / 1e6)
        await links[outgoing.cell].put(outgoing.message)
    for link in links.values():
        link.close()
