"""The spans of units over a window, unknown time included, split where people gave another reason."""

from zoneledger.application.given import path_of, read_entries
from zoneledger.application.ledger import read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.windows import MAX_DAYS, Window, bound
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.given import Piece, overlay
from zoneledger.core.plant import Unit
from zoneledger.core.spans import fill

MAX_SPANS = 20_000


async def read_timeline(
    reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits
) -> dict[str, list[Piece]]:
    """Return the pieces that partition the window up to now, by unit path: a zone's, a cell's with its zones', or all cells'.

    Raises WindowInvalid where there are more than 20,000, or the window is longer than 31 days.
    """
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"A timeline is at most {MAX_DAYS} days long; ask for several.")
    until_us = window.until_us(now_us)
    bound(unit, window.start_us, until_us)
    heads = await reading.heads([cell.path for cell in unit.cells])
    spans = await read_spans(reading, heads, window.start_us, window.end_us, now_us, limits)
    entries = await read_entries(reading, list(heads), window.start_us, window.end_us)
    wanted = (
        [(unit.cell_path or "", unit.zone)]
        if unit.zone
        else [(cell.path, zone) for cell in unit.cells for zone in _zones(unit, cell)]
    )
    found: dict[str, list[Piece]] = {}
    for cell, zone in wanted:
        filled = fill(spans.get((cell, zone), []), window.start_us, until_us)
        found[path_of(cell, zone)] = overlay(filled, entries.get((cell, zone), []))
    number = sum(len(row) for row in found.values())
    if number > MAX_SPANS:
        raise WindowInvalid(
            f"This window has {number} spans; at most {MAX_SPANS} are given at once: ask for a shorter one."
        )
    return found


def _zones(unit: Unit, cell: Unit) -> tuple[str, ...]:
    return ("", *cell.cell.zones) if unit.level == "cell" and cell.cell else ("",)
