"""Simulated cells that send in a process of their own until told to stop, with a ledger file that ends with the truth."""

import asyncio
import logging
import multiprocessing
import signal
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

from zoneledger.clock import now_us
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.ledger_file import LedgerFile
from zoneledger_sim.pace import at_once, paced
from zoneledger_sim.plan import Misbehaviour, Scenario
from zoneledger_sim.run import play
from zoneledger_sim.simulation import Simulation

HOUR_US = 3_600_000_000
_forking = multiprocessing.get_context("forkserver")


@dataclass(frozen=True)
class Sent:
    """What to send: `cells` that began `ago_us` before now, `pace` times as fast as the clock (None: at once).

    They stop at the end of a piece of `piece_us` of their time, when all of it is acknowledged by the broker.
    """

    broker: str
    ledger: Path
    cells: int = 10
    seed: int = 1
    pace: float | None = 450
    array: int = 1
    ago_us: int = 48 * HOUR_US
    piece_us: int = HOUR_US // 6
    misbehaviour: Misbehaviour | None = None

    @property
    def scenario(self) -> Scenario:
        """An invented line that is planned around the clock, so that all of its time and fasteners count."""
        made = demo_scenario(cells=self.cells, seed=self.seed, misbehaviour=self.misbehaviour)
        return replace(made, shifts=())


async def _send(sent: Sent) -> None:
    enough = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, enough.set)
    start_us = now_us() - sent.ago_us
    simulation = Simulation(sent.scenario, start_us)
    due = at_once if sent.pace is None else paced(start_us, now_us(), sent.pace)
    with LedgerFile(sent.ledger, simulation.scenario, start_us) as ledger:
        async with MqttSender(parse_broker_url(sent.broker)) as sender:
            for plan in simulation.scenario.cells:
                await _told_up(sender, simulation.scenario.path(plan.cell), start_us // 1_000_000)
            while not enough.is_set() and simulation.truth.until_us + sent.piece_us < now_us():
                until_us = simulation.truth.until_us + sent.piece_us
                await play(simulation, until_us, sender=sender, now_us=now_us, ledger=ledger, due=due, array=sent.array)
        ledger.truth(simulation.truth)


async def _told_up(sender: MqttSender, cell: str, boot: int) -> None:
    """Tell a link once the broker is there."""
    while True:
        try:
            return await sender.link_up(cell, boot)
        except OSError:
            await asyncio.sleep(0.2)


def _run(sent: Sent) -> None:
    # Brokers and links fail here on purpose: what the cells and their clients say of it, again and again, is no news.
    for name in ("zoneledger_sim.link", "mqtt"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    asyncio.run(_send(sent))


class Cells:
    """Cells that send from the beginning of the context on; `stop` ends them at their next pause."""

    def __init__(self, sent: Sent) -> None:
        self.sent = sent
        self._process = _forking.Process(target=_run, args=(sent,))

    def __enter__(self) -> Self:
        self._process.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.is_alive():
            self._process.kill()
        self._process.join(10)

    def stop(self, longest_s: float = 120.0) -> None:
        """Let them end their piece and leave; raises where that takes longer, or where they failed."""
        self._process.terminate()
        self.wait(longest_s)

    def wait(self, longest_s: float = 300.0) -> None:
        """Wait until they have sent all up to the present and left; raises as `stop` does."""
        self._process.join(longest_s)
        if self._process.exitcode != 0:
            raise RuntimeError(f"the cells ended with {self._process.exitcode}, seed {self.sent.seed}")
