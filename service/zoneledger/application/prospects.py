"""Reads what a cell's rate would be if one of its losses were changed, from the passes of a window."""

from collections.abc import Mapping
from dataclasses import dataclass

from zoneledger.application.kpi import Kpi, kpis_of
from zoneledger.application.ledger import older_warnings, read_spans
from zoneledger.application.panels import undeclared, zones_of
from zoneledger.application.parts import read_sums
from zoneledger.application.passes import read_passes
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.application.windows import MAX_DAYS, Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.demands import ZoneTime, demands_of, transfers_us
from zoneledger.core.errors import LevelWrong, WindowInvalid
from zoneledger.core.figures import HOUR_US, ratio
from zoneledger.core.plant import Unit
from zoneledger.core.prospects import Change, Means, Zones, changes_of, gain, mean_parts, means_of, replay
from zoneledger.core.shifts import planned_of
from zoneledger.core.states import HEAD, IDLE
from zoneledger.core.warnings import STAGES, Warning, zones_not_declared

#: Below so many passes in a zone chance has more to say than the model.
FEW_PASSES = 10
#: Warnings of the figures of the same window that bear on its rates.
_SHARED = {*STAGES, "older_ledger", "not_derived", "zones_not_declared", "unknown_time", "not_kept", "restated"}
_SHARED |= {"outside_planned", "unseen"}
#: A model further off than this does not fit.
FAR_OFF = 0.05


@dataclass(frozen=True, slots=True)
class Rate:
    """Passes and fasteners an hour; None where nothing was measured."""

    passes_per_hour: float | None
    fasteners_per_hour: float | None

    def times(self, share: float | None) -> "Rate":
        """Return the rate that is so much higher: by `share` of itself."""
        rates = (self.passes_per_hour, self.fasteners_per_hour)
        return Rate(*(None if rate is None or share is None else rate * (1 + share) for rate in rates))


@dataclass(frozen=True, slots=True)
class Prospect:
    """A change with the passes an hour of the replay and of the plain formula, and the gain of each over the present."""

    change: Change
    replayed_per_hour: float | None
    formula_per_hour: float | None
    gain: float | None
    formula_gain: float | None


@dataclass(frozen=True, slots=True)
class Prospects:
    """What was measured of a cell, what the model makes of it, and of each change, the most promising first."""

    kpi: Kpi
    measured: Rate
    means: Means | None
    parts_us: dict[tuple[str, str], float]
    passes: int
    transfers: int
    replayed_per_hour: float | None
    formula_per_hour: float | None
    off: float | None
    changes: list[Prospect]
    warnings: list[Warning]


async def read_prospects(
    reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits, factor: float, transfer_us: int | None
) -> Prospects:
    """Return the prospects of a cell from the passes that ended in a window, each loss changed by `factor`.

    `transfer_us` is the head's way from zone to zone, where it is known better than the ledger shows. Raises LevelWrong where
    the unit is no cell, and WindowInvalid where the window is longer than 31 days.
    """
    if unit.level != "cell":
        raise LevelWrong(f"{unit.path} is a {unit.level}: prospects are those of a cell, whose zones share one head.")
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"Prospects are read off at most {MAX_DAYS} days; ask for several windows.")
    sums = await read_sums(reading, unit, [window], now_us, limits)
    (kpi,) = await kpis_of(reading, sums, now_us, limits)
    kpi.warnings.extend(older_warnings(sums.heads, window.start_us))
    zones = await _zones(reading, sums.heads, unit, window, kpi.until_us, now_us, limits)
    kpi.warnings.extend(zones_not_declared(undeclared(unit, ((unit.path, zone) for zone in zones))))
    demands = demands_of(zones, window.start_us, kpi.until_us)
    seen_us = transfers_us(zones, window.start_us, kpi.until_us)
    way_us = transfer_us if transfer_us is not None else (ratio(sum(seen_us), len(seen_us)) or 0.0)
    return _prospects(kpi, _measured(kpi, zones), demands, factor, way_us, len(seen_us), transfer_us is not None)


async def _zones(
    reading: Reading,
    heads: Mapping[str, Head],
    unit: Unit,
    window: Window,
    until_us: int,
    now_us: int,
    limits: Limits,
) -> dict[str, ZoneTime]:
    """Return the zones of a cell by name, with their passes and spans over them."""
    if until_us <= window.start_us:
        return {}
    # A demand begins with the end of the pass before it, which the day before the window may have.
    asked = zones_of(unit, heads, limits)
    passes = await read_passes(reading, heads, asked, window.start_us - DAY_US, until_us, limits)
    start_us = min((ones[0].start_us for ones in passes.values()), default=until_us)
    spans = await read_spans(reading, heads, start_us, until_us, now_us, limits)
    inside = planned_of(unit, start_us, until_us)
    return {zone: ZoneTime(ones, spans.get((cell, zone), []), inside) for (cell, zone), ones in passes.items()}


def _measured(kpi: Kpi, zones: Mapping[str, ZoneTime]) -> Rate:
    """Return the rates of planned time with evidence."""
    known_us = kpi.account.planned_us - kpi.account.unknown_us
    passes = [one for zone in zones.values() for one in zone.passes]
    number = sum(one.is_over_in(kpi.window.start_us, kpi.until_us) for one in passes)
    return Rate(ratio(number * HOUR_US, known_us), ratio(kpi.account.made * HOUR_US, known_us))


def _prospects(
    kpi: Kpi, measured: Rate, demands: Zones, factor: float, way_us: float, transfers: int, transfer_given: bool
) -> Prospects:
    present, means = replay(demands, way_us), means_of(demands, way_us)
    formula = means.per_hour() if means else None
    changes = [_prospect(demands, way_us, change, present, formula) for change in changes_of(demands, factor)]
    changes.sort(key=lambda each: -(each.gain or 0.0))
    off = gain(present, measured.passes_per_hour)
    warnings = [one for one in kpi.warnings if one.code in _SHARED]
    warnings += _doubts(kpi, demands, off, transfers or int(transfer_given))
    passes = sum(len(own) for own in demands.values())
    return Prospects(
        kpi, measured, means, mean_parts(demands), passes, transfers, present, formula, off, changes, warnings
    )


def _prospect(demands: Zones, way_us: float, change: Change, present: float | None, formula: float | None) -> Prospect:
    replayed, means = replay(demands, way_us, change), means_of(demands, way_us, change)
    plain = means.per_hour() if means else None
    return Prospect(change, replayed, plain, gain(replayed, present), gain(plain, formula))


def _doubts(kpi: Kpi, demands: Zones, off: float | None, transfers: int) -> list[Warning]:
    found = []
    if any(len(own) < FEW_PASSES for own in demands.values()) or not demands:
        text = f"Some zone has fewer than {FEW_PASSES} passes in this window: chance may have made its times what they are."
        found.append(Warning("few_passes", text))
    if off is not None and abs(off) > FAR_OFF:
        text = (
            f"The model's present rate is {off:+.1%} off the measured one: it does not fit this cell, or this window."
        )
        found.append(Warning("model_off", text))
    if len(demands) > 1 and not transfers:
        text = "No zone waited for the head as it was let go: its way from zone to zone is taken as 0, unless transfer_s tells it."
        found.append(Warning("transfer_not_seen", text))
    if len(demands) > 1 and not any(zone.reasons.get((IDLE, HEAD)) for zone in kpi.zones.values()):
        text = "No zone told that it waits for the head: if it does without a word, the model takes that for a wait of its own."
        found.append(Warning("head_wait_not_told", text))
    return found
