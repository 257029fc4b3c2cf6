"""Reads the panel passes of a unit over a window off the ledger: what each was spent on, and what they add up to."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from zoneledger.application.kpi import Kpi, kpis_of, read_sums
from zoneledger.application.ledger import UnitSpans, Zone, older_warnings, read_spans
from zoneledger.application.passes import read_passes
from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, read_changes
from zoneledger.application.stored import Head
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.pass_figures import RESULTS, Inside, ProgramPasses, by_program, time_inside
from zoneledger.core.passes import PRESENT, Pass, counted
from zoneledger.core.plant import Unit
from zoneledger.core.spans import Interval
from zoneledger.core.states import UNKNOWN
from zoneledger.core.warnings import STAGES, Warning

MAX_DAYS = 31
MAX_PASSES = 10_000
#: Warnings of the figures of the same window that bear on its passes.
_SHARED = {*STAGES, "restated", "not_kept", "not_declared"}


@dataclass(frozen=True, slots=True)
class ShownPass:
    """A pass of a zone, up to `end_us`; `results` are its fasteners by result, after verdicts."""

    zone: Zone
    one: Pass
    end_us: int
    outcome: str
    inside: Inside
    results: Mapping[str, int]

    @property
    def made(self) -> int:
        """How many fasteners the cell made in it."""
        return sum(self.results.values())


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
    """A pass with the interval over which its fasteners are counted."""

    zone: Zone
    one: Pass
    counted: Interval

    @property
    def order(self) -> tuple[int, int, Zone]:
        return self.one.over_us or 0, self.one.start_us, self.zone


def zones_of(unit: Unit) -> list[Zone]:
    """Return the zones under a unit, or the zone that it is."""
    if unit.zone is not None:
        return [(unit.cell_path or "", unit.zone)]
    return [(cell.path, zone) for cell in unit.cells if cell.cell for zone in cell.cell.zones]


async def read_panels(
    reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits, after: int, limit: int
) -> Panels:
    """Return the passes of a unit that ended in a window, in the order of their ends: at most `limit` after the first `after`.

    Raises WindowInvalid where the window is longer than 31 days, or more than 10,000 passes ended in it.
    """
    if window.end_us - window.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"Passes are told of at most {MAX_DAYS} days; ask for several windows.")
    until_us = window.until_us(now_us)
    sums = await read_sums(reading, unit, [window], now_us, limits)
    (kpi,), heads = await kpis_of(reading, sums, now_us, limits), sums.heads
    found = await _find(reading, heads, unit, window, until_us, limits)
    over = sorted((f for f in found if f.one.is_over_in(window.start_us, until_us)), key=lambda f: f.order)
    present = [each for each in found if not each.one.is_over_in(window.start_us, until_us)]
    if len(over) > MAX_PASSES:
        raise WindowInvalid(
            f"{len(over)} passes ended in this window; at most {MAX_PASSES} are told of: ask for a shorter one."
        )
    results = await _results(reading, over + _cut(present, until_us))
    page = over[after : after + limit]
    spans = await _spans(reading, heads, page + present, until_us, now_us, limits)
    shown = [_shown(each, each.one.end_us, each.one.outcome, spans, results) for each in page]
    there = [_shown(each, until_us, PRESENT, spans, results) for each in _cut(present, until_us)]
    programs = by_program((each.one, results[each.zone, each.counted]) for each in over)
    warnings = [one for one in kpi.warnings if one.code in _SHARED] + older_warnings(heads)
    warnings += _doubts(over, programs, shown)
    reached = Window(min([window.start_us, *(each.one.start_us for each in found)]), window.end_us)
    changes = bearing_on(await read_changes(reading, unit, [reached]), reached.start_us, reached.end_us)
    return Panels(kpi, 1 + len(changes), len(over), shown, there, programs, warnings)


async def _find(
    reading: Reading, heads: Mapping[str, Head], unit: Unit, window: Window, until_us: int, limits: Limits
) -> list[_Found]:
    """Return the passes that had begun before `until_us` and were not over before the window."""
    if until_us <= window.start_us:
        return []
    passes = await read_passes(reading, heads, zones_of(unit), window.start_us, until_us, limits)
    return [
        _Found(zone, one, over)
        for zone, ones in passes.items()
        for one, over in zip(ones, counted(ones), strict=True)
        if one.start_us < until_us and (one.over_us is None or one.over_us >= window.start_us)
    ]


def _cut(present: Sequence[_Found], until_us: int) -> list[_Found]:
    """Let the fasteners of passes that are not over be counted up to an instant."""
    return [_Found(each.zone, each.one, (each.one.start_us, until_us)) for each in present]


async def _results(reading: Reading, found: Sequence[_Found]) -> dict[tuple[Zone, Interval], dict[str, int]]:
    """Return the fasteners by result of each pass."""
    results = {(each.zone, each.counted): dict.fromkeys(RESULTS, 0) for each in found}
    intervals: dict[str, dict[Interval, None]] = {}
    for (cell, _), interval in results:
        intervals.setdefault(cell, {})[interval] = None
    for cell, asked in intervals.items():
        segments = list(asked)
        for count in await reading.count_fasteners([cell], segments):
            own = results.get(((cell, count.zone), segments[count.segment]))
            if own is not None:
                own[count.result] += count.number
    return results


async def _spans(
    reading: Reading, heads: Mapping[str, Head], found: Sequence[_Found], until_us: int, now_us: int, limits: Limits
) -> UnitSpans:
    """Return the spans of the cells over all of these passes, which end by `until_us`."""
    if not found:
        return {}
    start_us = min(each.one.start_us for each in found)
    own = {cell: head for cell, head in heads.items() if any(each.zone[0] == cell for each in found)}
    return await read_spans(reading, own, start_us, until_us, now_us, limits)


def _shown(
    each: _Found,
    end_us: int,
    outcome: str,
    spans: UnitSpans,
    results: Mapping[tuple[Zone, Interval], Mapping[str, int]],
) -> ShownPass:
    inside = time_inside(spans.get(each.zone, []), each.one.start_us, end_us)
    return ShownPass(each.zone, each.one, end_us, outcome, inside, results[each.zone, each.counted])


def _doubts(over: Sequence[_Found], programs: Iterable[ProgramPasses], shown: Sequence[ShownPass]) -> list[Warning]:
    found = []
    if parts := sum(not each.one.is_whole for each in over):
        text = f"Of {parts} passes the load or the unload was not seen: they have no floor-to-floor time."
        found.append(Warning("not_whole", text))
    if unplanned := sum(sums.unplanned for sums in programs):
        text = f"Of {unplanned} finished passes no planned fasteners were told: automation levels leave them out."
        found.append(Warning("unplanned", text))
    if unknown_us := sum(each.inside.kinds[UNKNOWN] for each in shown):
        text = (
            f"For {unknown_us / 60e6:.1f} min inside these passes there is no evidence; fasteners may be missing, too."
        )
        found.append(Warning("unknown_time", text))
    return found
