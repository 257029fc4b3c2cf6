"""Counts what became of all that this process took in, since its start: for whoever looks after it, and never for figures."""

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from zoneledger.application.intake import Receipt
from zoneledger.application.record import Recorded
from zoneledger.core.messages import FastenerMade

DELIVERIES = (1, 3, 10, 30, 100, 300, 1000)
SECONDS = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)


@dataclass(slots=True)
class Histogram:
    """How many values lay at or below each of some bounds and above the one before, the last of all others, and their sum."""

    bounds: Sequence[float]
    counts: list[int] = field(default_factory=list)
    sum: float = 0.0

    def __post_init__(self) -> None:
        self.counts = self.counts or [0] * (len(self.bounds) + 1)

    def note(self, value: float) -> None:
        """Count a value."""
        self.counts[bisect_left(self.bounds, value)] += 1
        self.sum += value


@dataclass(slots=True)
class IntakeTally:
    """Messages by outcome, refused ones by reason, new fasteners by (cell, first result), and the groups that were committed.

    `not_kept` are groups of which nothing was kept, as the database did not answer.
    """

    stored: int = 0
    duplicate: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    fasteners: Counter[tuple[str, str]] = field(default_factory=Counter)
    groups: Histogram = field(default_factory=lambda: Histogram(DELIVERIES))
    commit_s: Histogram = field(default_factory=lambda: Histogram(SECONDS))
    not_kept: int = 0

    def note(self, recorded: Recorded, took_s: float) -> None:
        """Count a group that was committed."""
        self.groups.note(len(recorded.receipts))
        self.commit_s.note(took_s)
        for receipt in recorded.receipts:
            self.count(receipt)
        for kept in recorded.kept:
            results = Counter([message.result for _, message in kept.messages if type(message) is FastenerMade])
            for result, number in results.items():
                self.fasteners[kept.head.cell, result] += number

    def count(self, receipt: Receipt) -> None:
        """Count what became of a delivery."""
        self.stored += receipt.stored
        self.duplicate += receipt.duplicate
        for refused in receipt.refused:
            self.refused[refused.reason] += 1
