"""Tells what a cell did, minute by minute, as messages of the contract."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

Message = dict[str, Any]


@dataclass
class Story:
    """One cell's messages, from one boot; times are minutes from `begin`.

    `alone` is the zone that each stretch of time is told of; the story opens and closes with a snapshot.
    """

    begin: datetime
    alone: str = "1"
    boot: int = 1
    messages: list[Message] = field(default_factory=list)
    seq: int = 0
    minute: float = 0.0
    made: int = 0

    def __post_init__(self) -> None:
        self.snapshot()

    def at(self, minute: float) -> str:
        """Return the RFC 3339 time of a minute."""
        return (self.begin.astimezone(UTC) + timedelta(minutes=minute)).isoformat()

    def event(self, minute: float, **fields: Any) -> None:
        """Add an event."""
        self.seq += 1
        common = {"v": 1, "boot": self.boot, "seq": self.seq, "at": self.at(minute), "zone": self.alone}
        self.messages.append(common | fields)

    def snapshot(self) -> None:
        """Add a snapshot of a zone that does nothing."""
        zones = {self.alone: {"made": self.made}}
        common = {"v": 1, "boot": self.boot, "seq": self.seq, "at": self.at(self.minute), "type": "snapshot"}
        self.messages.append(common | {"zones": zones, "alarms": []})

    def run(self, minutes: float, made: list[tuple[str, Message]] = ()) -> "Story":  # type: ignore[assignment]
        """Process for some minutes and make fasteners, (result, further fields), evenly spread over them."""
        end = self.minute + minutes
        self.event(self.minute, type="activity", activity="process", phase="begin")
        for number, (result, fields) in enumerate(made):
            minute = self.minute + minutes * (number + 0.5) / len(made)
            self.event(minute, **{"type": "fastener", "operation": "fasten", "result": result} | fields)
        self.made += len(made)
        self.event(end, type="activity", activity="process", phase="end", outcome="completed")
        self.minute = end
        return self

    def fault(self, minutes: float, code: str = "clamp-force") -> "Story":
        """Stand with a stop alarm."""
        for phase, minute in (("raise", self.minute), ("clear", self.minute + minutes)):
            self.event(minute, type="alarm", phase=phase, code=code, severity="stop")
        self.minute += minutes
        return self

    def setup(self, minutes: float, activity: str = "setup") -> "Story":
        """Set up, load or unload."""
        for phase, minute in (("begin", self.minute), ("end", self.minute + minutes)):
            self.event(minute, type="activity", activity=activity, phase=phase)
        self.minute += minutes
        return self

    def wait(self, minutes: float, cause: str = "operator") -> "Story":
        """Stand for a known reason."""
        for phase, minute in (("begin", self.minute), ("end", self.minute + minutes)):
            self.event(minute, **{"type": "wait", "phase": phase, "for": cause})
        self.minute += minutes
        return self

    def rest(self, minutes: float) -> "Story":
        """Let time go by without anything."""
        self.minute += minutes
        return self

    def close(self) -> list[Message]:
        """Return all messages, closed with a snapshot that proves the last stretch."""
        self.snapshot()
        return self.messages


def results(good: int, reject: int = 0, rework: int = 0, **fields: Any) -> list[tuple[str, Message]]:
    """Return so many fasteners to be made, those that are not good spread among them."""
    bad = ["reject"] * reject + ["rework"] * rework
    every = (good + len(bad)) // len(bad) if bad else 0
    made = []
    for number in range(good + len(bad)):
        due = bad and number % every == every - 1 and number // every < len(bad)
        made.append((bad[number // every] if due else "good", fields))
    return made
