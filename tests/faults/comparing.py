"""Holds a service against the truth of cells, one after the other, and then their line against the sum."""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.scenarios.truth import differences_of
from tests.servers.service import ServiceProcess
from zoneledger_sim.clock import rfc3339
from zoneledger_sim.differences import Differences
from zoneledger_sim.fates import Fates, instant_us
from zoneledger_sim.link import PAYLOAD_MESSAGES
from zoneledger_sim.missing import Gap, runs_of
from zoneledger_sim.truth import Account, Truth
from zoneledger_sim.verification import Answers, conclude

PAGE = 5000
TIMELINE_US = 12 * 3_600_000_000
PARTS = (None, "shift", "day")

Key = tuple[str | None, int, int]
"""A figure's window: what it is a part by, its start and its end."""


@dataclass
class Found:
    """What became of it all, in different messages; `difference` is the largest of a time (seconds) or a count."""

    sent: int = 0
    duplicates: int = 0
    stored: int = 0
    lost: int = 0
    twice: int = 0
    compared: int = 0
    difference: float = 0.0
    wrong: list[str] = field(default_factory=list)

    @property
    def is_faultless(self) -> bool:
        """Whether all is stored once and no figure is wrong."""
        return not (self.lost or self.twice or self.difference or self.wrong) and self.stored == self.sent

    def __str__(self) -> str:
        return (
            f"{self.sent} messages, {self.duplicates} of them twice, {self.stored} stored, twice {self.twice}, "
            f"lost {self.lost}, {self.compared} figures, largest difference {self.difference:g}"
        )

    def compare(self, kpi: dict[str, Any], account: Account) -> None:
        """Hold one window's figures of a unit against its account."""
        differing = differences_of(kpi, account)
        self.compared += 1
        self.wrong += [f"{unit} from {kpi['start']}: {what} {told}, not {true}" for unit, what, told, true in differing]
        self.difference = max([self.difference, *(abs(told - true) for _, _, told, true in differing)])


@dataclass(frozen=True)
class Lived:
    """Some time of one cell: each message once, as it is sent, and what is true."""

    cell: str
    texts: list[bytes]
    truth: Truth

    def lines(self) -> Iterator[dict[str, Any]]:
        """Yield the lines that a ledger file would have of the messages."""
        for number in range(0, len(self.texts), PAYLOAD_MESSAGES):
            told = [json.loads(text) for text in self.texts[number : number + PAYLOAD_MESSAGES]]
            yield {"line": "sent", "payload": number, "cell": self.cell, "messages": told}
            yield {"line": "acknowledged", "payload": number}


class Checking:
    """Holds a service against the truth, cell by cell when it has handed over all that it lived, and then the line."""

    def __init__(self, service: ServiceProcess, start_us: int, until_us: int) -> None:
        self.found = Found()
        self._service = service
        self._window = {"start": rfc3339(start_us), "end": rfc3339(until_us)}
        self._read = {"events": 0, "snapshots": 0}
        self._line: dict[Key, Account] = {}

    def check_cell(self, lived: Lived, again: int) -> None:
        """Compare what is stored since the last cell with what was sent, `again` of it twice, and its figures with its truth."""
        fates = Fates()
        for line in lived.lines():
            fates.take_line(line)
        for row in self._stored("events"):
            fates.take_event(row)
        for row in self._stored("snapshots"):
            fates.take_snapshot(row)
        differences = Differences(lived.truth, fates)
        for line in lived.lines():
            differences.take_line(line)
        differences.settle()
        self._compare_timelines(differences, lived.cell)
        for unit in differences.units_of(lived.cell):
            self._compare_figures(unit, lived.truth, of_line=unit == lived.cell)
        self._conclude(lived, fates, differences)
        duplicates = self._duplicates(lived.cell)
        self.found.duplicates += duplicates
        if duplicates != again:
            self.found.wrong.append(f"{lived.cell} has {duplicates} duplicates, not {again}")

    def check_line(self, line: str) -> None:
        """Compare the line's figures with the sum of its cells."""
        for part in PARTS:
            for kpi in self._figures(line, part):
                self.found.compare(kpi, self._line[_key(kpi, part)])

    def _stored(self, name: str) -> Iterator[dict[str, Any]]:
        """Yield what arrived since this was asked last, of whatever cell."""
        following: int | None = self._read[name]
        while following is not None:
            page = self._service.get(f"/v1/{name}", after=following, limit=PAGE)
            for row in page[name]:
                self._read[name] = row["id"]
                yield row
            following = page["next"]

    def _duplicates(self, cell: str) -> int:
        """Return how many messages of a cell came a second time, as the service counts them."""
        cells = [
            one for site in self._service.get("/v1/units")["sites"] for line in site["lines"] for one in line["cells"]
        ]
        return sum(one["received"]["duplicate"] for one in cells if one["unit"] == cell)

    def _compare_timelines(self, differences: Differences, cell: str) -> None:
        """Compare in pieces: a timeline has only so many spans at once."""
        start_us, until_us = (instant_us(instant) for instant in self._window.values())
        for from_us in range(start_us, until_us, TIMELINE_US):
            window = (from_us, min(from_us + TIMELINE_US, until_us))
            answer = self._service.get(f"/v1/timeline/{cell}", start=rfc3339(window[0]), end=rfc3339(window[1]))
            for unit in answer["units"]:
                spans = [
                    (instant_us(span["start"]), instant_us(span["end"]), (span["state"], span["reason"]))
                    for span in unit["spans"]
                ]
                differences.take_spans(unit["unit"], window, spans)

    def _compare_figures(self, unit: str, truth: Truth, *, of_line: bool) -> None:
        for part in PARTS:
            for kpi in self._figures(unit, part):
                key = _key(kpi, part)
                account = truth.window(unit, *key[1:])
                self.found.compare(kpi, account)
                if of_line:
                    former = self._line.get(key)
                    self._line[key] = account if former is None else former + account

    def _figures(self, unit: str, part: str | None) -> list[dict[str, Any]]:
        if part is None:
            return [self._service.get(f"/v1/kpi/{unit}", **self._window)]
        series: list[dict[str, Any]] = self._service.get(f"/v1/kpi/{unit}", by=part, **self._window)["series"]
        return series

    def _conclude(self, lived: Lived, fates: Fates, differences: Differences) -> None:
        rows = self._service.get("/v1/gaps", unit=lived.cell)["gaps"]
        gaps = runs_of(Gap(row["cell"], row["boot"], row["first_seq"], row["last_seq"]) for row in rows)
        was = conclude(fates, Answers(gaps, 0, 0.0, 0.0), differences)
        found = self.found
        found.sent += was.attempted
        found.stored += was.stored
        found.lost += was.lost
        found.twice += was.duplicated + was.altered + was.unexpected
        found.difference = max(found.difference, was.largest_difference_s or 0.0)
        found.wrong += was.sentences


def _key(kpi: dict[str, Any], part: str | None) -> Key:
    return part, instant_us(kpi["start"]), instant_us(kpi["end"])
