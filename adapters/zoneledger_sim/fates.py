"""What became of each message of a ledger file: sent, acknowledged, lost on purpose, stored, refused.

Events are told apart by (cell, boot, seq), snapshots by their place, instant and content. Contents are kept as 64-bit
hashes, so that a million messages take some 200 MB.
"""

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from zoneledger_sim.controller import Message
from zoneledger_sim.missing import Run, Runs, unite, without

SENT, ACKNOWLEDGED, NEVER_SENT, STORED, REFUSED = 1, 2, 4, 8, 16
"""Marks of a message; NEVER_SENT is one that was lost on purpose."""

Marks = dict[int, int]
"""Marks by an event's seq or a snapshot's hash."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_canonical = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode


def instant_us(text: str) -> int:
    """Return an RFC 3339 instant as microseconds since the Unix epoch; raises ValueError."""
    return (datetime.fromisoformat(text.upper()) - _EPOCH) // timedelta(microseconds=1)


def content_of(message: Message) -> int:
    """Return the hash of a message's content; the `at` of a snapshot counts as the instant that it tells."""
    if message["type"] == "snapshot":
        place = (message["seq"], instant_us(message["at"]))
        return hash(_canonical([*place, message["zones"], message["alarms"]]))
    return hash(_canonical(message))


@dataclass(slots=True)
class Boot:
    """The messages of one boot of a cell; `contents` are those of its events that were sent or lost on purpose.

    By its own messages it ran to `last_us`, and told its first snapshot at `first_snapshot_us`. What is stored betrays that
    there were events up to `betrayed`.
    """

    events: Marks = field(default_factory=dict)
    snapshots: Marks = field(default_factory=dict)
    contents: set[int] = field(default_factory=set)
    first_snapshot_us: int | None = None
    last_us: int | None = None
    betrayed: int = 0

    def marks(self) -> Iterator[int]:
        """Yield the marks of each message."""
        yield from self.events.values()
        yield from self.snapshots.values()

    def missing(self, *, any_number: bool) -> list[Run]:
        """Return the events that are not stored, though what is stored betrays them.

        They are those that the ledger file names, or all there must have been (`any_number`).
        """
        if any_number:
            stored = unite((seq, seq + 1) for seq, marks in self.events.items() if marks & STORED)
            return without([(1, self.betrayed + 1)], stored)
        known = self.events.items()
        return unite((seq, seq + 1) for seq, marks in known if not marks & STORED and seq <= self.betrayed)


class Fates:
    """Takes the lines of a ledger file, then what the service has, and tells what became of each message."""

    def __init__(self) -> None:
        self.boots: dict[tuple[str, int], Boot] = {}
        self.duplicated = 0
        self.altered = 0
        self.examples: dict[str, str] = {}
        self.reached_us: dict[str, int] = {}
        self.refused: Counter[str] = Counter()
        self._refused_seen: set[int] = set()
        self._open: dict[int, list[tuple[Marks, int]]] = {}

    def take_line(self, line: dict[str, Any]) -> None:
        """Take a line of the ledger file; those that tell of no message are left out."""
        match line["line"]:
            case "sent":
                cell = line["cell"]
                self._open[line["payload"]] = [self._note(cell, message, SENT) for message in line["messages"]]
            case "acknowledged":
                for marks, key in self._open.pop(line["payload"], ()):
                    marks[key] |= ACKNOWLEDGED
            case "lost":
                self._note(line["cell"], line["message"], NEVER_SENT)

    def _note(self, cell: str, message: Message, mark: int) -> tuple[Marks, int]:
        boot = self._boot(cell, message["boot"])
        at_us, content = instant_us(message["at"]), content_of(message)
        boot.last_us = at_us if boot.last_us is None else max(boot.last_us, at_us)
        if message["type"] == "snapshot":
            first_us = boot.first_snapshot_us
            boot.first_snapshot_us = at_us if first_us is None else min(first_us, at_us)
            marks, key = boot.snapshots, content
        else:
            boot.contents.add(content)
            marks, key = boot.events, message["seq"]
        marks[key] = marks.get(key, 0) | mark
        return marks, key

    def _boot(self, cell: str, boot: int) -> Boot:
        found = self.boots.get((cell, boot))
        if found is None:
            found = self.boots[cell, boot] = Boot()
        return found

    def forget_answers(self) -> None:
        """Forget what the service has, to be told anew."""
        for boot in self.boots.values():
            boot.betrayed = 0
            for table in (boot.events, boot.snapshots):
                for key in table:
                    table[key] &= ~(STORED | REFUSED)
        self.duplicated = self.altered = 0
        for found in (self.examples, self.reached_us, self.refused, self._refused_seen):
            found.clear()

    def take_event(self, row: dict[str, Any]) -> None:
        """Take an event as /v1/events lists it."""
        boot, seq = self._boot(row["cell"], row["boot"]), row["seq"]
        boot.betrayed = max(boot.betrayed, seq - 1)
        self._take_stored(row, boot.events, seq)
        if boot.events[seq] & SENT and content_of(row["message"]) not in boot.contents:
            self.altered += 1
            self.show("altered", row)

    def take_snapshot(self, row: dict[str, Any]) -> None:
        """Take a snapshot as /v1/snapshots lists it."""
        boot = self._boot(row["cell"], row["boot"])
        boot.betrayed = max(boot.betrayed, row["seq"])
        self._take_stored(row, boot.snapshots, content_of({**row, "type": "snapshot"}))

    def _take_stored(self, row: dict[str, Any], table: Marks, key: int) -> None:
        marks = table.get(key, 0)
        table[key] = marks | STORED
        if marks & STORED:
            self.duplicated += 1
            self.show("duplicated", row)
        elif not marks & SENT:
            self.show("unexpected", row)
        else:
            at_us = instant_us(row["at"])
            self.reached_us[row["cell"]] = max(self.reached_us.get(row["cell"], at_us), at_us)

    def show(self, what: str, row: dict[str, Any]) -> None:
        """Keep the first of the messages of which something is to be said, in words."""
        if what not in self.examples:
            kind = row.get("type", "snapshot")
            self.examples[what] = f"{row['cell']} boot {row['boot']} seq {row['seq']} ({kind} of {row['at']})"

    def take_refused(self, row: dict[str, Any]) -> None:
        """Take a refused message as /v1/refused lists it; one that came and was refused again counts once."""
        seen = hash((row["cell"], row["reason"], row["text"]))
        if seen in self._refused_seen:
            return
        self._refused_seen.add(seen)
        self.refused[row["reason"]] += 1
        for marks, key in self._named(row["cell"], row["text"]):
            marks[key] |= REFUSED

    def _named(self, cell: str, text: str) -> Iterator[tuple[Marks, int]]:
        """Yield the messages of the ledger file that a refused message or payload is, exactly as they were sent."""
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            return
        for message in value if isinstance(value, list) else [value]:
            try:
                boot, content = self.boots[cell, message["boot"]], content_of(message)
            except (KeyError, TypeError, ValueError):
                continue
            if message["type"] == "snapshot":
                if content in boot.snapshots:
                    yield boot.snapshots, content
            elif content in boot.contents:
                yield boot.events, message["seq"]

    def count(self, marks: int, *, but_not: int = 0) -> int:
        """Return how many different messages have all of these marks and none of those."""
        return sum(found & (marks | but_not) == marks for boot in self.boots.values() for found in boot.marks())

    def lost(self) -> int:
        """Return how many messages were acknowledged and are neither stored nor refused."""
        return self.count(ACKNOWLEDGED, but_not=STORED | REFUSED)

    def is_lost(self, cell: str, message: Message) -> bool:
        """Whether a message of the ledger file is one of those."""
        return self.marks_of(cell, message) & (ACKNOWLEDGED | STORED | REFUSED) == ACKNOWLEDGED

    def cells(self) -> list[str]:
        """Return the cells of which there is a message, sorted."""
        return sorted({cell for cell, _ in self.boots})

    def boots_of(self, cell: str) -> list[Boot]:
        """Return a cell's boots in their order."""
        return [boot for (owner, _), boot in sorted(self.boots.items(), key=lambda item: item[0]) if owner == cell]

    def is_whole(self, cell: str) -> bool:
        """Whether each message of a cell that the ledger file names is stored."""
        return all(marks & STORED for boot in self.boots_of(cell) for marks in boot.marks())

    def marks_of(self, cell: str, message: Message) -> int:
        """Return the marks of a message of the ledger file."""
        boot = self.boots[cell, message["boot"]]
        if message["type"] == "snapshot":
            return boot.snapshots[content_of(message)]
        return boot.events[message["seq"]]

    def missing(self, *, any_number: bool) -> Runs:
        """Return the events that should be reported as missing; see `Boot.missing`."""
        found = {key: boot.missing(any_number=any_number) for key, boot in self.boots.items()}
        return {key: runs for key, runs in found.items() if runs}
