"""How far the service's figures are from the truth of a ledger file, less what the service could not know."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from zoneledger_sim.condition import Standing
from zoneledger_sim.controller import Message
from zoneledger_sim.evidence import Evidence
from zoneledger_sim.fates import STORED, Fates, instant_us
from zoneledger_sim.missing import Run, length, unite, without
from zoneledger_sim.truth import RESULTS, Made, Truth

#: What the service answers about at once, less a margin for windows that are full of spans.
WINDOW_US = 31 * 86_400_000_000

#: A message so long before or after all that was simulated tells that its clock was off, though it be of no fastener.
FAR_OFF_US = 3_600_000_000

_Key = tuple[str, str, str]
"""A fastener's (cell, panel, position)."""


@dataclass(slots=True)
class Difference:
    """How far a unit is from the truth: microseconds booked to another state or reason, unknown, unknown for no reason, or
    known without evidence.

    `told` counts the fasteners by final result as the service has them, `true` as it should have them.
    """

    wrong_us: int = 0
    unknown_us: int = 0
    unexplained_us: int = 0
    unproven_us: int = 0
    told: Counter[str] = field(default_factory=Counter)
    true: Counter[str] = field(default_factory=Counter)

    @property
    def time_us(self) -> int:
        """The time that is wrong, unknown for no reason, or known without evidence."""
        return self.wrong_us + self.unexplained_us + self.unproven_us

    @property
    def fasteners(self) -> int:
        """The largest difference of a number of fasteners."""
        return max((abs(self.told[name] - self.true[name]) for name in {*self.told, *self.true}), default=0)


class Differences:
    """Holds a truth against a service's answers: `take_line` of the whole ledger file first, then `settle`, then answers."""

    def __init__(self, truth: Truth, fates: Fates) -> None:
        self._truth = truth
        self._fates = fates
        self._made_us = {unit: {made.at_us for made in record.made} for unit, record in truth.records.items()}
        self._not_stored: set[_Key] = set()
        self._verdicts: dict[_Key, dict[tuple[int, int], tuple[str, bool]]] = {}
        self._clocks_off: set[str] = set()
        self._evidence = {cell: Evidence() for cell in fates.cells() if not fates.is_whole(cell)}
        self.units: dict[str, Difference] = {unit: Difference() for unit in truth.records}

    def take_line(self, line: dict[str, Any]) -> None:
        """Take a line of the ledger file; those that tell of no message are left out."""
        messages = [line["message"]] if line["line"] == "lost" else line.get("messages", ())
        for message in messages:
            at_us = instant_us(message["at"])
            if not self._truth.start_us - FAR_OFF_US < at_us < self._truth.until_us + FAR_OFF_US:
                self._clocks_off.add(line["cell"])
            if line["cell"] in self._evidence and self._fates.marks_of(line["cell"], message) & STORED:
                self._evidence[line["cell"]].take(message, at_us)
            if message["type"] == "fastener":
                self._take_fastener(line["cell"], message, at_us)
            elif message["type"] == "verdict":
                stored = bool(self._fates.marks_of(line["cell"], message) & STORED)
                given = self._verdicts.setdefault((line["cell"], message["panel"], message["position"]), {})
                given[message["boot"], message["seq"]] = (message["result"], stored)

    def _take_fastener(self, cell: str, message: Message, at_us: int) -> None:
        if at_us not in self._made_us.get(f"{cell}/{message['zone']}", ()):
            self._clocks_off.add(cell)
        if not self._fates.marks_of(cell, message) & STORED:
            self._not_stored.add((cell, message["panel"], message["position"]))

    def settle(self) -> None:
        """Take from the truth the fasteners and verdicts that are not stored, as the service cannot know them."""
        unheard = {key for key, given in self._verdicts.items() if not all(stored for _, stored in given.values())}
        for unit, record in self._truth.records.items():
            cell = unit.rpartition("/")[0]
            if self._not_stored or unheard:
                record.made = [
                    made for made in record.made if (cell, made.panel, made.position) not in self._not_stored
                ]
            for made in record.made if unheard else ():
                if (cell, made.panel, made.position) in unheard:
                    made.final = self._heard(cell, made)

    def _heard(self, cell: str, made: Made) -> str:
        given = self._verdicts[cell, made.panel, made.position]
        stored = [result for _, (result, is_stored) in sorted(given.items()) if is_stored]
        return stored[-1] if stored else made.first

    def cells(self) -> list[str]:
        """Return the cells of the truth."""
        return sorted(unit for unit in self.units if unit.count("/") == 2)

    def units_of(self, cell: str) -> list[str]:
        """Return a cell and its zones."""
        return [unit for unit in self.units if unit == cell or unit.startswith(f"{cell}/")]

    def clock_was_off(self, unit: str) -> bool:
        """Whether a unit's cell told a fastener at another time than the true one, or anything at a time far off."""
        return _cell_of(unit) in self._clocks_off

    def windows(self, cell: str) -> list[Run]:
        """Return the time to be asked about: from the truth's start to the cell's last message that is stored, in pieces."""
        start_us = self._truth.start_us
        end_us = min(self._truth.until_us, self._fates.reached_us.get(cell, start_us))
        return [(from_us, min(from_us + WINDOW_US, end_us)) for from_us in range(start_us, end_us, WINDOW_US)]

    def take_spans(self, unit: str, window: Run, spans: Iterable[tuple[int, int, Standing]]) -> None:
        """Take a unit's spans of a window as the service tells them, sorted; what they do not cover is unknown."""
        told = [span for span in spans if span[2][0] != "unknown"]
        found, cell = self.units[unit], _cell_of(unit)
        found.wrong_us += _wrong_us(list(self._truth.records[unit].spans(*window)), told)
        known = unite((start_us, end_us) for start_us, end_us, _ in told)
        unknown = without([window], known)
        found.unknown_us += length(unknown)
        if cell not in self._clocks_off:
            due = self._unknown(cell, window)
            found.unexplained_us += length(without(unknown, due))
            found.unproven_us += length(known) - length(without(known, due))

    def _unknown(self, cell: str, window: Run) -> list[Run]:
        """Return when nobody can know a cell; where all of its messages are stored, that is between its boots."""
        if cell in self._evidence:
            return self._evidence[cell].unknown(window)
        runs, reached_us = [], window[0]
        for boot in self._fates.boots_of(cell):
            if boot.last_us is not None:
                known_us = boot.last_us if boot.first_snapshot_us is None else boot.first_snapshot_us
                runs.append((reached_us, known_us))
                reached_us = boot.last_us
        return unite(runs)

    def take_fasteners(self, unit: str, window: Run, fasteners: dict[str, int]) -> None:
        """Take the numbers of a unit's fasteners in a window, as /v1/kpi tells them.

        Where some lie outside planned time, of which no results are told, only the number made is compared.
        """
        found, true = self.units[unit], self._truth.window(unit, *window).final
        if fasteners["outside_planned"]:
            found.told["made"] += fasteners["made"] + fasteners["outside_planned"]
            found.true["made"] += sum(true.values())
        else:
            found.told.update({name: fasteners[name] for name in RESULTS})
            found.true.update(true)


def _cell_of(unit: str) -> str:
    return "/".join(unit.split("/")[:3])


def _wrong_us(true: list[tuple[int, int, Standing]], told: list[tuple[int, int, Standing]]) -> int:
    """Return for how long two sorted lists of spans differ, where both have one."""
    wrong_us = i = j = 0
    while i < len(true) and j < len(told):
        both_us = min(true[i][1], told[j][1]) - max(true[i][0], told[j][0])
        if both_us > 0 and true[i][2] != told[j][2]:
            wrong_us += both_us
        if true[i][1] <= told[j][1]:
            i += 1
        else:
            j += 1
    return wrong_us
