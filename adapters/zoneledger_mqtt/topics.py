"""Where a cell publishes: topics to cell paths and back, without any I/O."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

DEFAULT_ROOT = "cells/v1"

_STEP = re.compile("[a-z0-9-]{1,40}")

Kind = Literal["events", "link"]


class Source(NamedTuple):
    """The cell `site/line/cell` that a topic belongs to, as it stands there, and which of its two topics it is."""

    cell: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics under one root, of all cells or of those of some `units`: paths of sites, lines or cells.

    Raises ValueError for a root that is empty or holds wildcards or empty levels, and for a unit that is no such path.
    """

    root: str = DEFAULT_ROOT
    units: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for unit in self.units:
            if not 1 <= len(unit.split("/")) <= 3 or not all(map(_STEP.fullmatch, unit.split("/"))):
                raise ValueError(f"a unit to listen to should be a path such as harbour/wing-1, not {unit!r}")
        check_root(self.root, DEFAULT_ROOT)

    def events(self, cell: str) -> str:
        """Return the topic of a cell's messages."""
        return f"{self.root}/{cell}/events"

    def link(self, cell: str) -> str:
        """Return the topic that tells whether a cell's controller is connected."""
        return f"{self.root}/{cell}/link"

    @property
    def filters(self) -> tuple[str, ...]:
        """The subscriptions that match the cells' topics."""
        cells = ["/".join([*unit.split("/"), "+", "+"][:3]) for unit in self.units] or ["+/+/+"]
        return tuple(topic for cell in cells for topic in (self.events(cell), self.link(cell)))

    def source(self, topic: str) -> Source:
        """Return whose topic this is.

        A topic of another form (a subscription left over from another root) is its own cell, which no plant model
        names: its messages are refused and kept, not lost.
        """
        return _source(self.root, topic)


def check_root(root: str, example: str) -> None:
    """Raise ValueError for a topic root that is empty or holds wildcards or empty levels."""
    if not all(root.split("/")) or any(mark in root for mark in "+#\0") or root.startswith("$"):
        raise ValueError(f"a topic root should be levels such as {example}, without wildcards: {root!r}")


@lru_cache(maxsize=4096)
def _source(root: str, topic: str) -> Source:
    levels = topic.removeprefix(root + "/").split("/")
    if topic.startswith(root + "/") and len(levels) == 4:
        cell = "/".join(levels[:3])
        if levels[3] == "events":
            return Source(cell, "events")
        if levels[3] == "link":
            return Source(cell, "link")
    return Source(topic, "events")
