"""A plant that runs in simulated time and yields its messages in the order in which they are sent."""

from collections import deque
from collections.abc import Iterator

from simpy import Environment

from zoneledger_sim.cell import Cell
from zoneledger_sim.controller import Message, Outgoing
from zoneledger_sim.plan import Scenario
from zoneledger_sim.truth import Truth


class Simulation:
    """All cells of a scenario from `start_us` on, in microseconds since the Unix epoch; `truth` grows as it runs."""

    def __init__(self, scenario: Scenario, start_us: int) -> None:
        self.scenario = scenario
        self.truth = Truth(start_us)
        self._env = Environment(start_us)
        self._outbox: deque[Outgoing] = deque()
        self._cells = {
            scenario.path(plan.cell): Cell(self._env, scenario, plan, self.truth, self._outbox.append)
            for plan in scenario.cells
        }

    def run(self, until_us: int | None = None) -> Iterator[Outgoing]:
        """Yield the messages up to `until_us`, or for ever, in time order; then one snapshot of each cell at the end.

        It may be called again with a later end, and goes on where it stopped.
        """
        env, outbox, truth = self._env, self._outbox, self.truth
        while True:
            while outbox:
                yield outbox.popleft()
            following_us = int(env.peek())
            if until_us is not None and following_us >= until_us:
                break
            env.step()
            truth.until_us = following_us
        if until_us > truth.until_us:
            env.run(until=until_us)
            truth.until_us = until_us
        for cell in self._cells:
            self.snapshot(cell)
        while outbox:
            yield outbox.popleft()

    def snapshot(self, cell: str) -> None:
        """Let the controller of `cell` (a path) tell its whole condition next, as after a reconnect."""
        self._cells[cell].controller.snapshot()


def messages(simulation: Simulation, until_us: int) -> Iterator[tuple[str, Message]]:
    """Yield (cell path, message) up to `until_us` in time order; the truth is `simulation.truth` afterwards."""
    for outgoing in simulation.run(until_us):
        yield outgoing.cell, outgoing.message
