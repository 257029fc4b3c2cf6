"""Reads how many fasteners the zones of a unit made in each of the equal pieces of a window."""

from collections.abc import Sequence
from dataclasses import dataclass

from zoneledger.application.ports import Reading
from zoneledger.application.stored import PaceCount
from zoneledger.application.windows import MAX_DAYS, Window, bound
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit

MAX_PARTS = 500


@dataclass(frozen=True, slots=True)
class ZonePace:
    """What a zone, by its path, made in each piece that has begun: all fasteners, and the good ones of them, after verdicts."""

    unit: str
    made: list[int]
    good: list[int]


@dataclass(frozen=True, slots=True)
class Pace:
    """A window cut into pieces: `starts_us` of all of them, and the zones' numbers of those that have begun by `until_us`."""

    unit: Unit
    window: Window
    until_us: int
    starts_us: list[int]
    zones: list[ZonePace]


async def read_pace(reading: Reading, unit: Unit, window: Window, parts: int, now_us: int) -> Pace:
    """Return what the zones of a unit made in each of so many pieces of a window, in planned time or not, read up to the present.

    Zones that the plant model names come first, in its order; then those that it named once. The pieces are equal to the
    microsecond. Raises WindowInvalid for a window of more than 31 days, or where too much would have to be read at once.
    """
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"A pace is read of at most {MAX_DAYS} days at once; ask for several windows.")
    until_us = window.until_us(now_us)
    bound(unit, window.start_us, until_us)
    cells, asked = [cell.path for cell in unit.cells], (window.start_us, window.end_us)
    counts = await reading.count_paced(cells, unit.zone, asked, until_us, parts)
    starts_us = starts_of(window, parts)
    begun = sum(start_us < until_us for start_us in starts_us)
    return Pace(unit, window, until_us, starts_us, _zones(unit, counts, begun))


def starts_of(window: Window, parts: int) -> list[int]:
    """Return where the pieces of a window begin: an instant lies in piece (instant - start) * parts // length, and so do they."""
    length_us = window.end_us - window.start_us
    return [window.start_us - (-piece * length_us // parts) for piece in range(parts)]


def _zones(unit: Unit, counts: Sequence[PaceCount], begun: int) -> list[ZonePace]:
    declared = [f"{cell.path}/{zone}" for cell in unit.cells if cell.cell for zone in cell.cell.zones]
    asked = [path for path in declared if unit.zone is None or path == unit.path]
    found = {path: ZonePace(path, [0] * begun, [0] * begun) for path in asked}
    for count in sorted(counts):
        path = f"{count.cell}/{count.zone}"
        zone = found.setdefault(path, ZonePace(path, [0] * begun, [0] * begun))
        zone.made[count.piece], zone.good[count.piece] = count.made, count.good
    return list(found.values())
