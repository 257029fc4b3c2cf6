"""From a document that has the right shape to a plant, or to everything in it that makes no sense."""

from collections.abc import Callable, Hashable, Iterable
from decimal import Decimal
from difflib import get_close_matches
from functools import lru_cache
from typing import TypeVar
from zoneinfo import ZoneInfo, available_timezones

from zoneledger.core.errors import PlantInvalid
from zoneledger.core.plant import Cell, Line, Plant, ReasonChoice, Site, Standard, Target
from zoneledger.core.states import UNEXPLAINED
from zoneledger.plant_document.schema import (
    CellDocument,
    LineDocument,
    PlantDocument,
    ReasonDocument,
    SiteDocument,
    StandardDocument,
    TargetDocument,
)
from zoneledger.plant_document.shift_checks import Faults, to_shifts

Named = TypeVar("Named")

_UTC = ZoneInfo("UTC")


def to_plant(document: PlantDocument) -> Plant:
    """Return the plant that a document declares.

    Raises PlantInvalid with every fault of meaning, each at a place such as `sites/0/lines/1/shifts/0/repeats`.
    """
    faults: Faults = []
    _once(document.sites, lambda site: site.site, "sites", "site", faults)
    plant = Plant(tuple(_to_site(site, f"sites/{i}", faults) for i, site in enumerate(document.sites)))
    if faults:
        raise PlantInvalid(faults)
    return plant


def _to_site(site: SiteDocument, place: str, faults: Faults) -> Site:
    tz = _UTC
    if site.timezone in _known_zones():
        tz = ZoneInfo(site.timezone)
    else:
        near = get_close_matches(site.timezone, _known_zones(), n=1)
        hint = f'; did you mean "{near[0]}"?' if near else ", such as Europe/Lisbon"
        faults.append((f"{place}/timezone", f'"{site.timezone}" is unknown; must be an IANA time zone{hint}'))
    _once(site.lines, lambda line: line.line, f"{place}/lines", "line", faults)
    lines = tuple(_to_line(line, tz, f"{place}/lines/{i}", faults) for i, line in enumerate(site.lines))
    reasons = _to_reasons(site.reasons, f"{place}/reasons", faults)
    _once(site.roles, lambda role: role, f"{place}/roles", "", faults)
    return Site(site.site, site.timezone, lines, reasons, tuple(site.roles))


def _to_reasons(reasons: list[ReasonDocument], place: str, faults: Faults) -> tuple[ReasonChoice, ...]:
    _once(reasons, lambda reason: reason.reason, place, "reason", faults)
    for i, reason in enumerate(reasons):
        if len(set(reason.for_)) < len(reason.for_):
            faults.append((f"{place}/{i}/for", f"{reason.for_[0]} is given twice; give it once"))
        if reason.reason == UNEXPLAINED:
            sentence = f'"{UNEXPLAINED}" is what time without a reason is called; must be another name'
            faults.append((f"{place}/{i}/reason", sentence))
    return tuple(ReasonChoice(one.reason, one.text, tuple(one.for_)) for one in reasons)


@lru_cache(maxsize=1)
def _known_zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _to_line(line: LineDocument, tz: ZoneInfo, place: str, faults: Faults) -> Line:
    _once(line.cells, lambda cell: cell.cell, f"{place}/cells", "cell", faults)
    return Line(
        line.line,
        to_shifts(line.shifts, tz, f"{place}/shifts", faults),
        _to_standards(line.standards, f"{place}/standards", faults),
        tuple(_to_cell(cell, f"{place}/cells/{i}", faults) for i, cell in enumerate(line.cells)),
        _to_targets(line.targets, f"{place}/targets", faults),
    )


def _to_cell(cell: CellDocument, place: str, faults: Faults) -> Cell:
    _once(cell.zones, lambda zone: zone, f"{place}/zones", "", faults)
    return Cell(
        cell.cell,
        tuple(cell.zones),
        _to_standards(cell.standards, f"{place}/standards", faults),
        _to_targets(cell.targets, f"{place}/targets", faults),
        cell.since,
    )


def _to_targets(targets: list[TargetDocument], place: str, faults: Faults) -> tuple[Target, ...]:
    first: dict[Hashable, int] = {}
    for i, target in enumerate(targets):
        if (other := first.setdefault(target.since, i)) != i:
            faults.append((f"{place}/{i}/since", f"is that of {place}/{other}; keep one, or give another since"))
        if target.oee is None and target.good_per_hour is None:
            faults.append((f"{place}/{i}", "promises nothing; must have oee, good_per_hour or both"))
    return tuple(Target(one.since, one.oee, one.good_per_hour) for one in targets)


def _to_standards(standards: list[StandardDocument], place: str, faults: Faults) -> tuple[Standard, ...]:
    first: dict[Hashable, int] = {}
    for i, standard in enumerate(standards):
        key = (standard.operation, standard.item, standard.program, standard.since)
        if (other := first.setdefault(key, i)) != i:
            sentence = f"has operation, item, program and since of {place}/{other}; keep one, or give another since"
            faults.append((f"{place}/{i}", sentence))
        if standard.minor_stop_seconds is not None and standard.minor_stop_seconds < standard.seconds:
            faults.append((f"{place}/{i}/minor_stop_seconds", f"must not be less than seconds, {standard.seconds:g}"))
    return tuple(_to_standard(standard) for standard in standards)


def _to_standard(standard: StandardDocument) -> Standard:
    limit_s = standard.minor_stop_seconds
    return Standard(
        standard.operation,
        _microseconds(standard.seconds),
        standard.since,
        standard.item,
        standard.program,
        None if limit_s is None else _microseconds(limit_s),
    )


def _microseconds(seconds: float) -> int:
    return int(Decimal(repr(seconds)) * 1_000_000)


def _once(units: Iterable[Named], name_of: Callable[[Named], str], place: str, field: str, faults: Faults) -> None:
    """Note each name that a sibling before has; `field` is the field of the name, empty where the list holds names."""
    first: dict[str, int] = {}
    for i, unit in enumerate(units):
        name = name_of(unit)
        if (other := first.setdefault(name, i)) != i:
            at = f"{place}/{i}/{field}".rstrip("/")
            faults.append((at, f'"{name}" is the name of {place}/{other} already; must be a name of its own'))
