"""Reads the failures of a unit over a window off the ledger."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from zoneledger.application.ledger import older_warnings, read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, later_warnings, read_changes
from zoneledger.application.stored import Head
from zoneledger.application.undeclared import read_left_out
from zoneledger.application.windows import Window, bound
from zoneledger.core.booking import Limits
from zoneledger.core.failures import Clock, Planned, Stretch, Tally, Wanted, stretches_of, told_by, trend_score
from zoneledger.core.figures import Account, figures_of
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import planned_of
from zoneledger.core.spans import Span, fill, time_in_states, total
from zoneledger.core.states import FAULT
from zoneledger.core.warnings import Warning, failure_warnings, warnings_of

SECOND_US = 1_000_000

Owner = tuple[str, str]
"""A cell and its zone, "" for the cell itself."""


@dataclass(frozen=True, slots=True)
class Failures:
    """A unit's failures over a window: those of all of it, and those of its cells or zones by path."""

    unit: Unit
    window: Window
    until_us: int
    planned_us: int
    tally: Tally
    parts: dict[str, Tally]
    trend: float | None
    revision: int
    warnings: list[Warning]


@dataclass(slots=True)
class _Owned:
    """What is read of one cell or zone."""

    account: Account
    clock: Clock
    stretches: list[Stretch]

    @property
    def tally(self) -> Tally:
        return Tally(self.clock.total_us, self.stretches)


def _summed(unit: Unit) -> list[Owner]:
    """Return what a unit is the sum of: a zone or cell of itself, a line or site of its cells."""
    return [(unit.cell_path or "", unit.zone)] if unit.zone is not None else [(cell.path, "") for cell in unit.cells]


def _parts(unit: Unit) -> list[Owner]:
    """Return what is told apart: of a cell its zones, of a line or site its cells."""
    if unit.level == "cell" and unit.cell:
        return [(unit.path, zone) for zone in unit.cell.zones]
    return [] if unit.zone is not None else _summed(unit)


async def _read_on(
    reading: Reading, heads: Mapping[str, Head], owner: Owner, own: list[Span], now_us: int, limits: Limits
) -> None:
    """Add to an owner's spans those that follow, as long as the last one is a fault: no repair is cut at a window's end."""
    step_us = SECOND_US
    while own and own[-1].state == FAULT and own[-1].end_us < now_us:
        end_us = own[-1].end_us
        found = await read_spans(reading, {owner[0]: heads[owner[0]]}, end_us, end_us + step_us, now_us, limits)
        if owner not in found:
            return
        own += found[owner]
        step_us *= 8  # of a fault whose reason changes every second not each span is read by itself


def _owned(unit: Unit, owner: Owner, own: Sequence[Span], window: Window, now_us: int) -> _Owned:
    """Read one owner's stretches off its spans, from just before the window to just after it, or to where a fault ends."""
    cell = next(one for one in unit.cells if one.path == owner[0])
    until_us = window.until_us(now_us)
    reached_us = max([until_us, *(span.end_us for span in own if span.state == FAULT)])
    inside, onwards = (planned_of(cell, window.start_us, end_us) for end_us in (until_us, reached_us))
    account = Account(calendar_us=until_us - window.start_us, planned_us=total(inside))
    account.book(time_in_states(own, inside))
    joined = fill(own, window.start_us - 1, min(reached_us + 1, now_us))
    stretches = stretches_of(joined, Planned(inside), Planned(onwards))
    return _Owned(account, Clock(own, inside), stretches)


async def _tell(reading: Reading, owned: dict[Owner, _Owned]) -> None:
    """Tell of each stretch what the last raise of its code tells."""
    listed = [(owner, i, one) for owner, has in owned.items() for i, one in enumerate(has.stretches)]
    raised = await reading.last_raises([Wanted(*owner, one.code, one.start_us) for owner, _, one in listed])
    for (owner, i, one), last in zip(listed, raised, strict=True):
        owned[owner].stretches[i] = told_by(one, last)


async def _read_owned(
    reading: Reading, heads: Mapping[str, Head], unit: Unit, window: Window, now_us: int, limits: Limits
) -> dict[Owner, _Owned]:
    """Return what is read of each cell or zone that the figures are of; nothing of a window yet to come."""
    until_us, owned = window.until_us(now_us), dict[Owner, _Owned]()
    if until_us <= window.start_us:
        return owned
    bound(unit, window.start_us, until_us)
    # One microsecond more on either side shows what is continued there.
    spans = await read_spans(reading, heads, window.start_us - 1, until_us + 1, now_us, limits)
    for owner in {*_summed(unit), *_parts(unit)}:
        own = spans.get(owner, [])
        await _read_on(reading, heads, owner, own, now_us, limits)
        owned[owner] = _owned(unit, owner, own, window, now_us)
    await _tell(reading, owned)
    return owned


async def read_failures(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> Failures:
    """Return the failures of a unit, read up to the present; a window yet to come has none."""
    heads = await reading.heads([cell.path for cell in unit.cells])
    owned = await _read_owned(reading, heads, unit, window, now_us, limits)
    whole = [owned[owner] for owner in _summed(unit) if owner in owned]
    tally = sum((one.tally for one in whole), Tally())
    account = sum((one.account for one in whole), Account())
    trend = trend_score([one.clock for one in whole], tally)
    parts = {_path(owner): owned[owner].tally if owned else Tally() for owner in _parts(unit)}
    # What changed of a repair changes its window, too, wherever the window ends.
    ends_us = [one.end_us for has in owned.values() for one in has.stretches if one.counts]
    reached = Window(window.start_us, max([window.end_us, *ends_us]))
    changes = bearing_on(await read_changes(reading, unit, [reached]), reached.start_us, reached.end_us)
    warnings = warnings_of("", account, figures_of(account), set(), window.stage(now_us, limits.silence_us))
    warnings += older_warnings(heads, window.start_us) if owned else []
    warnings += failure_warnings(tally.begins_unseen, tally.ends_unseen, trend)
    warnings += later_warnings(changes, await read_left_out(reading, unit, [window]), window, limits.silence_us)
    until_us = window.until_us(now_us)
    return Failures(unit, window, until_us, account.planned_us, tally, parts, trend, 1 + len(changes), warnings)


def _path(owner: Owner) -> str:
    return "/".join(step for step in owner if step)
