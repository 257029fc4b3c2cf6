"""A cell whose present is followed: as it was last seen and told of, and what is to be told of it next."""

from collections.abc import Iterator
from typing import NamedTuple

from zoneledger.application.given import path_of
from zoneledger.application.units import NEVER_KNOWN, Moment, Moments
from zoneledger.application.updates import FiguresChanged, StateChanged, Update

#: How often at most it is told of a cell that its figures have changed.
FIGURES_US = 1_000_000


class Seen(NamedTuple):
    """What of a head makes a difference to the present or to figures; a value, as heads go on to change."""

    booking: str
    link_down_us: int | None
    ledger_id: int
    events: int
    snapshots: int


class FollowedCell:
    """A cell of the plant as it was last seen and told of."""

    def __init__(self, path: str, zones: tuple[str, ...]) -> None:
        self.path = path
        self.zones = zones
        self.seen: Seen | None = None
        self.noted = -1
        self.link: str | None = None
        self.queued_us: int | None = None
        self._moment = Moment(None, {}, 0, None)
        self._figures_changed = False
        self._figures_us = 0

    @property
    def next_us(self) -> int | None:
        """When something is to be told of it though nothing comes; None: never."""
        times = [self._moment.until_us, self._figures_us + FIGURES_US if self._figures_changed else None]
        return min((one for one in times if one is not None), default=None)

    def take(self, seen: Seen, now_us: int, moments: Moments) -> list[Update]:
        """Take a head in, and return what is to be told now."""
        self.seen, self._figures_changed = seen, True
        return [*self._restate(seen, now_us, moments), *self._figures(now_us)]

    def look(self, now_us: int, moments: Moments) -> list[Update]:
        """Return what is to be told because time has passed."""
        found: list[Update] = []
        if self.seen is not None and not self._moment.holds(now_us):
            found += self._restate(self.seen, now_us, moments)
        return [*found, *self._figures(now_us)]

    def _restate(self, seen: Seen, now_us: int, moments: Moments) -> Iterator[Update]:
        before = self._moment.present
        self._moment = moments.of(self.path, seen.booking, seen.link_down_us, now_us)
        for zone in ("", *self.zones):
            present = self._moment.present.get(zone, NEVER_KNOWN)
            if present != before.get(zone, NEVER_KNOWN):
                yield StateChanged(path_of(self.path, zone), present)

    def _figures(self, now_us: int) -> Iterator[Update]:
        # A clock that was set back must not keep it silent.
        if self._figures_changed and not 0 <= now_us - self._figures_us < FIGURES_US:
            self._figures_changed, self._figures_us = False, now_us
            yield FiguresChanged(self.path, self._moment.booked_us)
