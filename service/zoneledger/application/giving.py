"""Keeps what people say of time: a reason given or taken back, and undone again. Nothing is ever changed or removed."""

from dataclasses import dataclass

from zoneledger.application.given import path_of, read_entries
from zoneledger.application.ledger import read_spans
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Writing
from zoneledger.application.restating import restatements
from zoneledger.application.stored import GivenRow
from zoneledger.application.windows import MAX_DAYS
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import (
    AlreadyUndone,
    EntryUnknown,
    LevelWrong,
    ReasonUnknown,
    RoleUnknown,
    UnitUnknown,
    WindowInvalid,
)
from zoneledger.core.given import EXPLAINED_STATES, Entry, decided_us, differing, overlay, standing
from zoneledger.core.plant import Site, Unit
from zoneledger.core.spans import Span, clip


@dataclass(frozen=True, slots=True)
class Giving:
    """A reason for a unit's time over [start_us, end_us), None to take back what was said of it, by somebody in a role."""

    start_us: int
    end_us: int
    reason: str | None
    role: str
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """An entry that was kept, by its number, and for how long it decides (None of an undo, which decides nothing itself)."""

    id: int
    recorded_us: int
    decides_us: int | None


async def give(writing: Writing, unit: Unit, giving: Giving, now_us: int, limits: Limits) -> Kept:
    """Keep a reason that somebody gives.

    Raises LevelWrong but for a cell or zone, RoleUnknown and ReasonUnknown for what the site does not declare, and WindowInvalid
    for time that is empty, longer than 31 days, or yet to come.
    """
    if unit.cell_path is None:
        raise LevelWrong(
            f"{unit.path} is a {unit.level}, which has no state of its own: give the reason to a cell or zone."
        )
    _check_role(unit.site, giving.role)
    states = _states(unit.site, giving.reason)
    _check_window(giving, now_us)
    row = GivenRow(
        unit.cell_path,
        unit.zone or "",
        giving.start_us,
        giving.end_us,
        giving.reason,
        ",".join(states),
        giving.role,
        giving.note,
        None,
        now_us,
    )
    spans = await _lock(writing, row, now_us, limits)
    cause = f"reason given by {giving.role}" if giving.reason else f"reason taken back by {giving.role}"
    return await _keep(writing, row, spans, cause)


async def undo(
    writing: Writing, plant: DeclaredPlant, number: int, role: str, note: str | None, now_us: int, limits: Limits
) -> Kept:
    """Keep that an entry counts no more; of an undo, that what it undid counts again.

    Raises EntryUnknown, UnitUnknown where the plant model has its unit no more, RoleUnknown, and AlreadyUndone.
    """
    found = await writing.given_entry(number)
    if found is None:
        raise EntryUnknown(f"There is no entry {number}; GET /v1/reasons/ and a unit's path lists them.")
    path = path_of(found.cell, found.row.zone)
    unit = plant.plant.find(path)
    if unit is None:
        raise UnitUnknown(f"The plant model has no unit {path} any more, of which entry {number} tells.")
    _check_role(unit.site, role)
    row = found.row._replace(reason=None, states="", role=role, note=note, undoes=number, recorded_us=now_us)
    spans = await _lock(writing, row, now_us, limits)
    if number not in standing(await _said(writing, row)):
        raise AlreadyUndone(f"Entry {number} is undone already; undo the undo to let it count again.")
    return await _keep(writing, row, spans, f"given reason undone by {role}")


def _check_role(site: Site, role: str) -> None:
    if role not in site.roles:
        there = ", ".join(site.roles) or "none; declare them in the plant model"
        raise RoleUnknown(f"{site.name} declares no role {role}. Its roles: {there}.")


def _states(site: Site, reason: str | None) -> tuple[str, ...]:
    """Return the states that a reason may bear on; taking back bears on all."""
    if reason is None:
        return EXPLAINED_STATES
    for declared in site.reasons:
        if declared.name == reason:
            return declared.states
    there = ", ".join(declared.name for declared in site.reasons[:20]) or "none; declare them in the plant model"
    raise ReasonUnknown(f"{site.name} declares no reason {reason}. Its reasons: {there}.")


def _check_window(giving: Giving, now_us: int) -> None:
    if giving.end_us <= giving.start_us:
        raise WindowInvalid("The end should lie after the start.")
    if giving.end_us > now_us:
        raise WindowInvalid("A reason is given to time that is over: the end should not lie after now.")
    if giving.end_us - giving.start_us > MAX_DAYS * DAY_US:
        raise WindowInvalid(f"A reason is given to at most {MAX_DAYS} days at once.")


async def _lock(writing: Writing, row: GivenRow, now_us: int, limits: Limits) -> list[Span]:
    """Keep the unit's ledger, and what is said, as they are until the end; return the spans that the entry is about."""
    if await writing.heads([row.cell]):  # a cell that never sent anything gets no head by this
        await writing.lock_heads([row.cell])
    await writing.lock_given()
    heads = await writing.heads([row.cell])
    found = await read_spans(writing, heads, row.start_us, row.end_us, now_us, limits)
    return clip(found.get((row.cell, row.zone), []), row.start_us, row.end_us)


async def _said(writing: Writing, row: GivenRow) -> list[Entry]:
    """Return what was said of an entry's unit so far that bears on its time."""
    found = await read_entries(writing, [row.cell], row.start_us, row.end_us)
    return found.get((row.cell, row.zone), [])


async def _keep(writing: Writing, row: GivenRow, spans: list[Span], cause: str) -> Kept:
    """Add an entry, and note when it changes what is told."""
    before = overlay(spans, await _said(writing, row))
    number = await writing.add_given(row)
    after = overlay(spans, await _said(writing, row))
    path, times = path_of(row.cell, row.zone), differing(before, after)
    await writing.add_revisions(restatements(path, times, row.end_us, row.recorded_us, cause))
    decides_us = None if row.undoes is not None else decided_us(after).get(number, 0)
    return Kept(number, row.recorded_us, decides_us)
