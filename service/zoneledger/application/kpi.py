"""Reads the figures of a unit over windows: off what was summed beforehand, and off the ledger where that is missing."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from zoneledger.application.giving_way import giving_way
from zoneledger.application.parts import Sums, total_of
from zoneledger.application.ports import Reading
from zoneledger.application.presums import AT_ONCE, gather, place_of, summed_as, totals_of
from zoneledger.application.revisions import bearing_on, bearing_units, later_warnings, read_changes
from zoneledger.application.stored import Basis, Revision
from zoneledger.application.totals import Total
from zoneledger.application.undeclared import read_left_out
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.figures import Account, Figures, figures_of
from zoneledger.core.plant import Unit
from zoneledger.core.warnings import Warning, warnings_of


@dataclass(frozen=True, slots=True)
class Kpi:
    """A unit's account and figures over a window; `until_us` is where reading ended, the present at the latest."""

    unit: Unit
    window: Window
    until_us: int
    account: Account
    figures: Figures
    zones: dict[str, Account]
    revision: int
    warnings: list[Warning]


async def read_kpis(reading: Reading, unit: Unit, windows: Sequence[Window], now_us: int, limits: Limits) -> list[Kpi]:
    """Return the figures of a unit for each window, read up to the present; a window yet to come is empty."""
    gathered = await gather(reading, unit, windows, now_us)
    totals = await totals_of(reading, gathered, now_us, limits)
    return await kpis_from(reading, unit, windows, totals, now_us, limits)


async def kpis_of(reading: Reading, sums: Sums, now_us: int, limits: Limits) -> list[Kpi]:
    """Return the figures of a unit for each of the windows that were summed off the ledger."""
    totals = [total_of(sums.unit, part) for part in sums.parts]
    return await kpis_from(reading, sums.unit, [part.window for part in sums.parts], totals, now_us, limits)


async def kpis_from(
    reading: Reading, unit: Unit, windows: Sequence[Window], totals: Sequence[Total], now_us: int, limits: Limits
) -> list[Kpi]:
    """Return the figures of a unit for each window and its total, with what is to be known of them."""
    changes, left_out = await read_changes(reading, unit, windows), await read_left_out(reading, unit, windows)
    found, near = [], _Near(changes)
    async for window, total in giving_way(zip(windows, totals, strict=True), AT_ONCE):
        bearing = bearing_on(near.to(window), window.start_us, window.end_us)
        kpi = _kpi(unit, window, total, 1 + len(bearing), now_us, limits)
        kpi.warnings.extend(later_warnings(bearing, left_out, window, limits.silence_us))
        found.append(kpi)
    return found


def _kpi(unit: Unit, window: Window, total: Total, revision: int, now_us: int, limits: Limits) -> Kpi:
    account = total.account if unit.zone is None else total.zones.get(unit.zone, Account())
    figures, stage = figures_of(account), window.stage(now_us, limits.silence_us)
    zones = total.zones if unit.level == "cell" else {}
    warnings = warnings_of(unit.level, account, figures, total.unrated, stage)
    return Kpi(unit, window, window.until_us(now_us), account, figures, zones, revision, warnings)


async def basis_of(reading: Reading, unit: Unit, windows: Sequence[Window]) -> Basis | None:
    """Return what figures over windows rest on where pre-sums tell all of it, None where that is not all.

    Of cells that the plant model names no more the ledger itself is told, where they lie under a line or site.
    """
    units, declared = await bearing_units(reading, unit), {cell.path for cell in unit.cells}
    if unit.level in ("site", "line") and any(path.count("/") == 2 and path not in declared for path in units):
        return None
    first_us, last_us = min(one.start_us for one in windows), max(one.end_us for one in windows)
    return Basis(tuple(place_of(one) for one in summed_as(unit)), tuple(units), first_us, last_us)


class _Near:
    """Changes of the past, so that those near one of many windows are found without a look at all of them."""

    #: Changes that bear on longer times than this are few: plants, and long backlogs.
    LONG_US = 31 * DAY_US

    def __init__(self, changes: Sequence[Revision]) -> None:
        numbered = list(enumerate(changes))
        self._long = [one for one in numbered if one[1].to_us - one[1].from_us > self.LONG_US]
        self._short = sorted(set(numbered).difference(self._long), key=lambda one: one[1].from_us)
        self._from_us = [change.from_us for _, change in self._short]

    def to(self, window: Window) -> list[Revision]:
        """Return all that may touch a window, in the order in which they were recorded."""
        first = bisect_left(self._from_us, window.start_us - self.LONG_US)
        last = bisect_left(self._from_us, window.end_us)
        return [change for _, change in sorted([*self._long, *self._short[first:last]], key=lambda one: one[0])]
