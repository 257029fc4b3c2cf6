"""The figures of a shift, of a line and of all that lies under it at once."""

from dataclasses import dataclass

from zoneledger.application.given import path_of
from zoneledger.application.parts import read_sums, total_of
from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, bearing_units
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.figures import Account, Figures, figures_of
from zoneledger.core.plant import Plant, Unit


@dataclass(frozen=True, slots=True)
class UnitFigures:
    """What a unit, by its path, came to over a shift up to `until_us`, as /v1/kpi tells it."""

    unit: str
    window: Window
    until_us: int
    account: Account
    figures: Figures
    revision: int


async def changes_of(reading: Reading, line: Unit, window: Window) -> int:
    """Return how many changes of the past bear on anything of a line over a window: where it is the same, so are the figures."""
    units = [*await bearing_units(reading, line), *_zone_paths(line)]
    return len(await reading.revisions(sorted(units), window.start_us, window.end_us, 0, None))


def _zone_paths(line: Unit) -> list[str]:
    return [path_of(cell.path, zone) for cell in line.cells if cell.cell for zone in cell.cell.zones]


async def read_shift_figures(
    reading: Reading, plant: Plant, line: Unit, window: Window, now_us: int, limits: Limits
) -> list[UnitFigures]:
    """Return the figures of a line, its cells and their zones over a shift, read up to the present and off the ledger."""
    (part,) = (await read_sums(reading, line, [window], now_us, limits)).parts
    bearing, zones = set(await bearing_units(reading, line)), _zone_paths(line)
    units = sorted({*bearing, *zones})
    changes = [one.row for one in await reading.revisions(units, window.start_us, window.end_us, 0, None)]
    found = []
    for unit in (line, *line.cells, *(plant.find(path) for path in zones)):
        assert unit is not None
        total = total_of(unit, part)
        account = total.account if unit.zone is None else total.zones.get(unit.zone, Account())
        own = bearing if unit is line else {unit.path, unit.cell_path, unit.line_path}
        number = len(bearing_on((one for one in changes if one.unit in own), window.start_us, window.end_us))
        found.append(UnitFigures(unit.path, window, part.until_us, account, figures_of(account), 1 + number))
    return found
