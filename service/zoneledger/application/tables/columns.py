"""What a table is: its columns, each with what it means, and how its rows are read."""

from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Store
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Unit
from zoneledger.core.spans import Interval

Kind = Literal["text", "time", "integer", "number", "flag"]
"""`time` is an instant in microseconds since the Unix epoch."""

Value = str | int | float | bool | None
Row = tuple[Value, ...]


class Column(NamedTuple):
    """A column by its name, with its unit in it where it has one."""

    name: str
    kind: Kind
    meaning: str


class Part(NamedTuple):
    """A unit and the window that is asked for of it; of a list that is asked for as a whole None."""

    unit: Unit
    window: Window | None

    @property
    def bounds(self) -> Interval:
        """The window of a table that has one."""
        assert self.window is not None
        return self.window.start_us, self.window.end_us

    def has(self, start_us: int, end_us: int) -> bool:
        """Tell whether time overlaps the window; an instant is time of one microsecond."""
        return self.window is None or (start_us < self.window.end_us and end_us > self.window.start_us)


@dataclass(frozen=True, slots=True)
class Source:
    """What a table is read from: a store, looked into anew for each page, and what of it is asked for.

    `everything` tells that no unit was named: lists then have what belongs to no unit, too.
    """

    store: Store
    declared: DeclaredPlant
    parts: Sequence[Part]
    everything: bool
    now_us: int
    limits: Limits


@dataclass(frozen=True, slots=True)
class Table:
    """A table: `read` yields its rows, some at a time, from one look at the store each. `needs_window`: it has no end otherwise."""

    name: str
    columns: tuple[Column, ...]
    read: Callable[[Source], AsyncIterator[list[Row]]]
    needs_window: bool = True


def pieces_of(bounds: Interval, length_us: int) -> Iterator[Interval]:
    """Yield a window in pieces of some length, in order."""
    start_us, end_us = bounds
    while start_us < end_us:
        yield start_us, min(start_us + length_us, end_us)
        start_us += length_us
