"""Reads the failures of a unit over a window off the ledger."""

from dataclasses import dataclass, field

from zoneledger.application.ledger import UnitSpans, older_warnings, read_spans
from zoneledger.application.ports import Reading
from zoneledger.application.revisions import bearing_on, read_changes, restatement
from zoneledger.application.undeclared import read_left_out, touching
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.failures import Clock, Planned, Stretch, Tally, Wanted, stretches_of, told_by, trend_score
from zoneledger.core.figures import Account, figures_of
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import planned
from zoneledger.core.spans import fill, time_in_states, total
from zoneledger.core.warnings import Warning, failure_warnings, not_declared, restated, warnings_of

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

    planned: Planned
    account: Account
    clock: Clock
    stretches: list[Stretch] = field(default_factory=list)

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


def _owned(unit: Unit, owner: Owner, spans: UnitSpans, window: Window, now_us: int) -> _Owned:
    """Read one owner's stretches: its spans from just before the window, to just after it unless that is still to come."""
    cell = next(one for one in unit.cells if one.path == owner[0])
    until_us = window.until_us(now_us)
    inside = planned(cell.line, unit.tz, window.start_us, until_us) if cell.line else []
    own = spans.get(owner, [])
    account = Account(calendar_us=until_us - window.start_us, planned_us=total(inside))
    account.book(time_in_states(own, inside))
    joined = fill(own, window.start_us - 1, min(until_us + 1, now_us))
    asked = Planned(inside)
    return _Owned(asked, account, Clock(own, inside), stretches_of(joined, asked))


async def _tell(reading: Reading, owned: dict[Owner, _Owned]) -> None:
    """Tell of each stretch what the last raise of its code tells."""
    listed = [(owner, i, one) for owner, has in owned.items() for i, one in enumerate(has.stretches)]
    raised = await reading.last_raises([Wanted(*owner, one.code, one.start_us) for owner, _, one in listed])
    for (owner, i, one), last in zip(listed, raised, strict=True):
        owned[owner].stretches[i] = told_by(one, last)


async def read_failures(reading: Reading, unit: Unit, window: Window, now_us: int, limits: Limits) -> Failures:
    """Return the failures of a unit, read up to the present; a window yet to come has none."""
    until_us = window.until_us(now_us)
    summed, owned, older = _summed(unit), dict[Owner, _Owned](), list[Warning]()
    if until_us > window.start_us:
        heads = await reading.heads([cell.path for cell in unit.cells])
        # One microsecond more on either side shows what is continued there.
        spans = await read_spans(reading, heads, window.start_us - 1, until_us + 1, now_us, limits)
        owned = {owner: _owned(unit, owner, spans, window, now_us) for owner in {*summed, *_parts(unit)}}
        await _tell(reading, owned)
        older = older_warnings(heads)
    whole = [owned[owner] for owner in summed if owner in owned]
    tally = sum((one.tally for one in whole), Tally())
    account = sum((one.account for one in whole), Account())
    trend = trend_score([one.clock for one in whole], tally)
    parts = {_path(owner): owned[owner].tally if owned else Tally() for owner in _parts(unit)}
    changes = bearing_on(await read_changes(reading, unit, [window]), window.start_us, window.end_us)
    warnings = warnings_of("", account, figures_of(account), set(), window.stage(now_us, limits.silence_us))
    warnings += older + failure_warnings(tally.begins_unseen, tally.ends_unseen, trend)
    if last := restatement(changes, window.end_us, limits.silence_us):
        warnings.append(restated(last.cause))
    if cells := touching(await read_left_out(reading, unit, [window]), window):
        warnings.append(not_declared(cells))
    return Failures(unit, window, until_us, account.planned_us, tally, parts, trend, 1 + len(changes), warnings)


def _path(owner: Owner) -> str:
    return "/".join(step for step in owner if step)
