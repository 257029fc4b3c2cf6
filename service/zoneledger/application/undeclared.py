"""Cells that have a history and that the plant model does not name any more: what they did is kept, and told."""

from collections.abc import Iterable, Mapping, Sequence

from zoneledger.application.ports import Reading
from zoneledger.application.windows import Window
from zoneledger.core.plant import Plant, Unit
from zoneledger.core.spans import Interval


async def read_undeclared(reading: Reading, plant: Plant) -> list[str]:
    """Return the paths of all cells that ever sent a message and that the plant model does not name, sorted."""
    return [cell for cell in sorted(await reading.cells()) if plant.cell_zones(cell) is None]


async def read_left_out(reading: Reading, unit: Unit, windows: Sequence[Window]) -> dict[str, list[Interval]]:
    """Return when cells ran or stood that lie under a site or line by their paths, and are none of its cells any more."""
    declared = {cell.path for cell in unit.cells}
    if unit.level not in ("site", "line") or not windows:
        return {}
    cells = [cell for cell in await reading.cells() if cell.startswith(f"{unit.path}/") and cell not in declared]
    if not cells:
        return {}
    spans = await reading.spans(cells, min(w.start_us for w in windows), max(w.end_us for w in windows))
    return {cell: [(row.span.start_us, row.span.end_us) for row in rows] for cell, rows in spans.items()}


def touching(left_out: Mapping[str, Sequence[Interval]], window: Window) -> list[str]:
    """Return those of the cells that have a ledger in a window, sorted."""

    def overlap(intervals: Iterable[Interval]) -> bool:
        return any(start_us < window.end_us and end_us > window.start_us for start_us, end_us in intervals)

    return sorted(cell for cell, intervals in left_out.items() if overlap(intervals))
