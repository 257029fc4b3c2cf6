"""Reads the panel passes of a unit over a window off the ledger: what each was spent on, and what they add up to."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from zoneledger import wording
from zoneledger.application.kpi import Kpi, kpis_of
from zoneledger.application.ledger import UnitSpans, Zone, known_zones, older_warnings, read_spans
from zoneledger.application.parts import Sums, read_sums
from zoneledger.application.passes import read_passes
from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, read_changes
from zoneledger.application.stored import Head
from zoneledger.application.windows import MAX_DAYS, Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.pass_figures import Inside, ProgramPasses, Share, by_program, share_of, time_inside
from zoneledger.core.passes import Pass, counted
from zoneledger.core.plant import Unit
from zoneledger.core.spans import Interval
from zoneledger.core.states import UNKNOWN
from zoneledger.core.warnings import STAGES, Warning, zones_not_declared

MAX_PASSES = 10_000
#: Warnings of the figures of the same window that bear on its passes.
_SHARED = {*STAGES, "restated", "not_kept", "not_declared"}


@dataclass(frozen=True, slots=True)
class ShownPass:
    """A pass of a zone, up to `end_us`; `share` are its fasteners, after verdicts."""

    zone: Zone
    one: Pass
    end_us: int
    inside: Inside
    share: Share

    @property
    def made(self) -> int:
        """How many fasteners the cell made for it."""
        return sum(self.share.results.values())


@dataclass(frozen=True, slots=True)
class Panels:
    """The passes that ended in a window, a page of them, and those that were not over at its end.

    `revision` counts the changes that touch the window or any time of these passes before it.
    """

    kpi: Kpi
    revision: int
    number: int
    page: list[ShownPass]
    present: list[ShownPass]
    programs: list[ProgramPasses]
    warnings: list[Warning]


@dataclass(frozen=True, slots=True)
class _Found:
    """A pass, and the one before it in its zone, each with the interval in which fasteners are made in its time."""

    zone: Zone
    one: Pass
    own: Interval
    before: Pass | None
    before_own: Interval

    @property
    def order(self) -> tuple[int, int, Zone]:
        return self.one.over_us or 0, self.one.start_us, self.zone

    @property
    def between(self) -> Interval:
        """From the pass before to this one."""
        return self.before_own[1], self.own[0]

    @property
    def since_us(self) -> int:
        """From when on anything bears on it."""
        return self.before_own[0]


_MadeIn = dict[tuple[Zone, Interval], dict[tuple[str | None, str], int]]
"""Fasteners by zone and interval; in each by panel and result."""


def zones_of(unit: Unit, heads: Mapping[str, Head], limits: Limits) -> list[Zone]:
    """Return the zones under a unit, those that the plant model names no more among them, or the zone that it is."""
    found = known_zones(heads, unit.cells, limits)
    return [(cell, zone) for cell, zone in found if unit.zone in (None, zone)]


def undeclared(unit: Unit, zones: Iterable[Zone]) -> set[Zone]:
    """Return those of the zones of a unit's cells that the plant model names no more."""
    return set(zones) - {(cell.path, zone) for cell in unit.cells if cell.cell for zone in cell.cell.zones}


async def read_panels(
    reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits, after: int, limit: int
) -> Panels:
    """Return the passes of a unit that ended in a window, in the order of their ends: at most `limit` after the first `after`.

    Raises WindowInvalid where the window is longer than 31 days, or more than 10,000 passes ended in it.
    """
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"Passes are told of at most {MAX_DAYS} days; ask for several windows.")
    sums = await read_sums(reading, unit, [window], now_us, limits)
    return await panels_of(reading, sums, now_us, limits, after, limit)


async def panels_of(reading: Reading, sums: Sums, now_us: int, limits: Limits, after: int, limit: int) -> Panels:
    """Return the passes that ended in the one window that was summed off the ledger, as `read_panels` does."""
    unit, heads, (window,) = sums.unit, sums.heads, [part.window for part in sums.parts]
    (kpi,), until_us = await kpis_of(reading, sums, now_us, limits), window.until_us(now_us)
    found = await _find(reading, heads, unit, window.start_us, until_us, limits)
    over = sorted((each for each in found if each.one.is_over), key=lambda each: each.order)
    if len(over) > MAX_PASSES:
        raise WindowInvalid(
            f"{len(over)} passes ended in this window; at most {MAX_PASSES} are told of: ask for a shorter one."
        )
    present = [each for each in found if not each.one.is_over]
    made = await _made(reading, found)
    page = over[after : after + limit]
    spans = await _spans(reading, heads, page + present, until_us, now_us, limits)
    shown = [_shown(each, each.one.end_us, spans, made) for each in page]
    there = [_shown(each, until_us, spans, made) for each in present]
    shares = [(each.one, _share(each, made)) for each in over]
    programs = by_program((one, share.results) for one, share in shares)
    warnings = [one for one in kpi.warnings if one.code in _SHARED] + older_warnings(heads, window.start_us)
    warnings += zones_not_declared(undeclared(unit, (each.zone for each in found)))
    warnings += _doubts([*shares, *((each.one, each.share) for each in there)], programs, shown)
    reached = Window(min([window.start_us, *(each.since_us for each in found)]), window.end_us)
    changes = bearing_on(await read_changes(reading, unit, [reached]), reached.start_us, reached.end_us)
    return Panels(kpi, 1 + len(changes), len(over), shown, there, programs, warnings)


async def _find(
    reading: Reading, heads: Mapping[str, Head], unit: Unit, start_us: int, until_us: int, limits: Limits
) -> list[_Found]:
    """Return the passes as they stood at `until_us` that were not over before the window."""
    if until_us <= start_us:
        return []
    zones = zones_of(unit, heads, limits)
    passes, gone = await read_passes(reading, heads, zones, start_us, until_us, limits), undeclared(unit, zones)
    found = []
    for zone, ones in passes.items():
        owns = [own if one.is_over else (own[0], until_us) for one, own in zip(ones, counted(ones), strict=True)]
        befores = [(None, (owns[0][0], owns[0][0])), *zip(ones, owns, strict=True)]
        for one, own, before in zip(ones, owns, befores, strict=False):
            # Nobody will tell that a panel left a zone that is gone: it is present where anything was seen of it.
            last_us = one.end_us if zone in gone and not one.is_over else one.over_us
            if last_us is None or last_us >= start_us:
                found.append(_Found(zone, one, own, *before))
    return found


async def _made(reading: Reading, found: Sequence[_Found]) -> _MadeIn:
    """Return the fasteners made in the time of each pass, in that of the one before it, and between the two."""
    asked: dict[str, dict[Interval, None]] = {}
    for each in found:
        own = asked.setdefault(each.zone[0], {})
        own.update({one: None for one in (each.own, each.before_own, each.between) if one[0] < one[1]})
    made: _MadeIn = {}
    for cell, intervals in asked.items():
        segments = list(intervals)
        for row in await reading.count_by_panel([cell], segments):
            made.setdefault(((cell, row.zone), segments[row.segment]), {})[row.panel, row.result] = row.number
    return made


def _share(each: _Found, made: _MadeIn) -> Share:
    own, before_own, between = (made.get((each.zone, one), {}) for one in (each.own, each.before_own, each.between))
    return share_of(each.one, own, each.before, before_own, between)


async def _spans(
    reading: Reading, heads: Mapping[str, Head], found: Sequence[_Found], until_us: int, now_us: int, limits: Limits
) -> UnitSpans:
    """Return the spans of the cells over all of these passes, which end by `until_us`."""
    if not found:
        return {}
    start_us = min(each.one.start_us for each in found)
    own = {cell: head for cell, head in heads.items() if any(each.zone[0] == cell for each in found)}
    return await read_spans(reading, own, start_us, until_us, now_us, limits)


def _shown(each: _Found, end_us: int, spans: UnitSpans, made: _MadeIn) -> ShownPass:
    inside = time_inside(spans.get(each.zone, []), each.one.start_us, end_us)
    return ShownPass(each.zone, each.one, end_us, inside, _share(each, made))


def _doubts(
    shares: Sequence[tuple[Pass, Share]], programs: Iterable[ProgramPasses], shown: Sequence[ShownPass]
) -> list[Warning]:
    found = []
    if parts := sum(one.is_over and not one.is_whole for one, _ in shares):
        text = f"Of {wording.counted(parts, 'pass', 'passes')} the load or the unload was not seen: no floor-to-floor time."
        found.append(Warning("not_whole", text))
    if others := sum(share.of_other_panels for _, share in shares):
        text = (
            f"{wording.counted(others, 'fastener', 'fasteners')} named another panel than the pass in whose time it was made: "
            "counted for the next pass of the zone where that is of this panel, else for none."
        )
        found.append(Warning("other_panels", text))
    if unplanned := sum(sums.unplanned for sums in programs):
        finished = wording.counted(unplanned, "finished pass", "finished passes")
        text = f"Of {finished} no planned fasteners were told: left out of automation levels."
        found.append(Warning("unplanned", text))
    if unknown_us := sum(each.inside.kinds[UNKNOWN] for each in shown):
        text = (
            f"For {unknown_us / 60e6:.1f} min inside these passes there is no evidence; fasteners may be missing, too."
        )
        found.append(Warning("unknown_time", text))
    return found
