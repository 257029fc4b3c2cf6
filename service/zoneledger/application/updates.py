"""What is told of the present as it changes."""

from collections.abc import Awaitable, Callable, Sequence
from typing import NamedTuple

from zoneledger.application.units import Present


class StateChanged(NamedTuple):
    """A cell or zone is in another state, or in it for another reason or since another time."""

    unit: str
    present: Present


class FiguresChanged(NamedTuple):
    """Messages of a cell were booked: its figures may be others, and those of its zones, its line and its site."""

    cell: str
    last_message_us: int | None


class PlantChanged(NamedTuple):
    """Another version of the plant model was declared."""

    version: int


Update = StateChanged | FiguresChanged | PlantChanged

Tell = Callable[[Sequence[Update]], Awaitable[float]]
"""Takes updates, none of them now and then; returns for how many seconds it wants no more, so that messages are taken in."""
