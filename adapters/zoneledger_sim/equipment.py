"""What the zones of one cell share: the head, its wear, the flow of panels, and who watches them."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from simpy import Environment

from zoneledger_sim.condition import Panel
from zoneledger_sim.controller import Controller
from zoneledger_sim.head import Head
from zoneledger_sim.plan import CellPlan, HeadWait


class Wear:
    """Counts fasteners towards the next tool change or feeder refill."""

    def __init__(self, waits: tuple[HeadWait, ...]) -> None:
        self._waits = waits
        self._since = [0] * len(waits)

    def due(self, item: str | None) -> list[HeadWait]:
        """Count one more fastener of `item` and return what has to be done before it."""
        due = []
        for index, wait in enumerate(self._waits):
            if wait.item is not None and wait.item != item:
                continue
            if self._since[index] >= wait.every:
                due.append(wait)
                self._since[index] = 0
            self._since[index] += 1
        return due


def panels(plan: CellPlan) -> Iterator[Panel]:
    """Yield the cell's panels: `batch` of each program in turn, for ever."""
    number = 0
    while True:
        program = plan.programs[number // plan.batch % len(plan.programs)]
        number += 1
        yield Panel(f"{program.program}-{number:06d}", program)


@dataclass(frozen=True, slots=True)
class Equipment:
    """What a zone works with; `note` is called after each change of its condition."""

    env: Environment
    plan: CellPlan
    head: Head
    wear: Wear
    panels: Iterator[Panel]
    controller: Controller
    note: Callable[[], None]
