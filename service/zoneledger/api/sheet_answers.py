"""What /v1/sheet answers, field by field."""

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import (
    KpiAnswer,
    NamedWindowAnswer,
    OeeChange,
    compared_told,
    kpi_told,
    named_window_told,
)
from zoneledger.api.loss_answers import LossAnswer
from zoneledger.api.loss_answers import answer_of as losses_told
from zoneledger.api.pace_answers import ZonePaceAnswer, zone_pace_told
from zoneledger.api.panel_answers import PanelsAnswer
from zoneledger.api.panel_answers import answer_of as panels_told
from zoneledger.api.reason_answers import EntryAnswer, QuestionAnswer, entry_told, question_told
from zoneledger.api.stop_answers import StopAnswer, stop_told
from zoneledger.api.times import Seconds, Time, rfc3339, seconds
from zoneledger.application.kpi import Kpi
from zoneledger.application.sheet import CellSheet, Sheet
from zoneledger.application.windows import Window, window_after, window_before
from zoneledger.core.errors import ShiftUnknown
from zoneledger.core.plant import Site, Target, Unit
from zoneledger.core.ribbons import Ribbon

#: A state's letter in a ribbon.
LETTERS = {"running": "R", "idle": "I", "fault": "F", "changeover": "C", "unknown": "U"}


class PromiseAnswer(BaseModel):
    """What was promised of the unit at the window's begin."""

    since: str = Field(description="the local date from which it holds", examples=["2026-01-01"])
    oee: float | None = Field(description="OEE; null where none was promised", examples=[0.7])
    good_per_hour: float | None = Field(description="good fasteners per planned hour of one cell", examples=[600.0])


class PlaceAnswer(BaseModel):
    """A window that lies beside the sheet's, and how it is asked for."""

    label: str = Field(description="what to call it", examples=["2026-11-24/late"])
    query: dict[str, str] = Field(
        description="the parameters that ask for it: `shift`, `day`, or `start` and `end`",
        examples=[{"shift": "2026-11-24/late"}],
    )
    begun: bool = Field(description="whether it has begun by now", examples=[True])


class RibbonAnswer(BaseModel):
    """The pieces of a cell's or zone's time; each begins where the one before ends, the first at the window's start."""

    unit: str = Field(description="the path of the cell or zone", examples=["harbour/wing-1/cell-1/1"])
    to_s: list[float] = Field(
        description="where each ends, in seconds after the window's start", examples=[[396.0, 1476.0]]
    )
    states: str = Field(
        description="the state of each: R running, I idle, F fault, C changeover, U unknown", examples=["CR"]
    )
    reasons: list[int] = Field(description="the reason of each, as its place in `reason_names`", examples=[[2, 1]])
    given: dict[str, str] = Field(
        description="of those that people gave a reason: it, by their place in this ribbon",
        examples=[{"7": "no-panel"}],
    )
    given_ids: dict[str, int] = Field(
        description="the entries of /v1/reasons that gave them, in the same way", examples=[{"7": 17}]
    )


_PROMISE = {"since": "2026-01-01", "oee": 0.7, "good_per_hour": 600.0}
_PROMISED: Any = Field(description="what was promised; null where nothing was", examples=[_PROMISE])
_PLACE = {"label": "2026-11-24/late", "query": {"shift": "2026-11-24/late"}, "begun": True}


class SheetFigures(KpiAnswer):
    """The unit's figures as /v1/kpi tells them, beside those of another window where there is one."""

    against: KpiAnswer | None = Field(description="the figures over the other window", examples=[None])
    oee_change: OeeChange | None = Field(description="what each factor contributed to the difference", examples=[None])


class CellSheetAnswer(BaseModel):
    """A cell of the sheet."""

    figures: KpiAnswer
    target: PromiseAnswer | None = _PROMISED
    ribbons: list[RibbonAnswer] = Field(description="the cell's own, then those of its zones as declared")


class ChoiceAnswer(BaseModel):
    """A reason that people of the site may give."""

    reason: str = Field(description="its name", examples=["no-panel"])
    text: str | None = Field(description="what it means", examples=["No panel at the cell"])
    states: list[str] = Field(description="to which time it may be given", examples=[["idle"]])


class OpenQuestions(BaseModel):
    """Idle time of the cells without any reason, longer than a minute; the longest first, at most 100 of them."""

    number: int = Field(description="how many there are", examples=[12])
    total_s: Seconds = Field(description="how long all of them are together, in seconds", examples=[5400.0])
    questions: list[QuestionAnswer]


class SheetAnswer(NamedWindowAnswer):
    """All that a shift sheet shows of a site, line or cell, of one moment."""

    level: str = Field(description="site, line or cell", examples=["line"])
    timezone: str = Field(description="IANA name of the site's time zone", examples=["Europe/Lisbon"])
    now: Time = Field(description="when it was read, by the service's clock")
    previous: PlaceAnswer | None = Field(
        description="the shift, the day or as much time before; null where there is none", examples=[_PLACE]
    )
    next: PlaceAnswer | None = Field(description="the same after it", examples=[_PLACE])
    figures: SheetFigures
    target: PromiseAnswer | None = _PROMISED
    stops: list[StopAnswer] = Field(description="planned stops of the line in the window")
    cells: list[CellSheetAnswer]
    reason_names: list[str | None] = Field(
        description="the reasons of the ribbons; null where nothing was ever known",
        examples=[[None, "process", "load"]],
    )
    part_s: float | None = Field(
        description="null where ribbons are exact; else each of these seconds is told as the state that held longest in it",
        examples=[1260.0],
    )
    pace_starts: list[Time] = Field(
        description="where each of the parts of `pace` begins", examples=[["2026-11-25T06:00:00Z"]]
    )
    pace: list[ZonePaceAnswer] = Field(description="of each zone, as declared")
    losses: LossAnswer
    panels: PanelsAnswer = Field(description="the first 200 passes, and what all of them add up to")
    questions: OpenQuestions
    notes: list[EntryAnswer] = Field(description="the last 200 entries of what people said of this time, in order")
    reasons: list[ChoiceAnswer] = Field(description="the reasons that people of the site may give")
    roles: list[str] = Field(description="the roles that may give them", examples=[["shift-lead"]])


def sheet_told(sheet: Sheet, now_us: int) -> dict[str, Any]:
    """Return the fields of a SheetAnswer; told by hand as the figures are, and held against the model by a test."""
    kpi, names = sheet.kpi, dict[str | None, int]()
    unit, window = kpi.unit, kpi.window
    cells = [_cell(cell, names, window.start_us) for cell in sheet.cells]
    return {
        **named_window_told(unit, window, kpi.until_us),
        "level": unit.level,
        "timezone": unit.site.timezone,
        "now": rfc3339(now_us),
        **_beside(unit, window, now_us),
        "figures": _figures(kpi, sheet.against),
        "target": _target(sheet.target),
        "stops": [stop_told(*stop).model_dump() for stop in sheet.stops],
        "cells": cells,
        "reason_names": list(names),
        "part_s": None if sheet.part_us is None else seconds(sheet.part_us),
        "pace_starts": [rfc3339(start_us) for start_us in sheet.pace.starts_us],
        "pace": [zone_pace_told(zone).model_dump() for zone in sheet.pace.zones],
        "losses": losses_told(sheet.losses).model_dump(mode="json"),
        "panels": panels_told(sheet.panels, 0).model_dump(mode="json"),
        "questions": _questions(sheet),
        "notes": [entry_told(one).model_dump(mode="json") for one in sheet.notes],
        **_choices(unit.site),
    }


def _figures(kpi: Kpi, against: Kpi | None) -> dict[str, Any]:
    if against is None:
        return kpi_told(kpi) | {"against": None, "oee_change": None}
    return compared_told(kpi, against)


def _beside(unit: Unit, window: Window, now_us: int) -> dict[str, Any]:
    try:
        before = window_before(unit, window)
    except ShiftUnknown:
        before = None
    return {"previous": _place(before, now_us), "next": _place(window_after(unit, window), now_us)}


def _place(window: Window | None, now_us: int) -> dict[str, Any] | None:
    if window is None:
        return None
    start, end = rfc3339(window.start_us), rfc3339(window.end_us)
    if window.shift is not None:
        query = {"shift": window.shift}
    else:
        query = {"start": start, "end": end} if window.label is None else {"day": window.label}
    return {"label": window.label or f"{start} / {end}", "query": query, "begun": window.start_us <= now_us}


def _target(target: Target | None) -> dict[str, Any] | None:
    if target is None:
        return None
    return {"since": target.since.isoformat(), "oee": target.oee, "good_per_hour": target.good_per_hour}


def _cell(cell: CellSheet, names: dict[str | None, int], start_us: int) -> dict[str, Any]:
    return {
        "figures": kpi_told(cell.kpi),
        "target": _target(cell.target),
        "ribbons": [_ribbon(ribbon, names, start_us) for ribbon in cell.ribbons],
    }


def _ribbon(ribbon: Ribbon, names: dict[str | None, int], start_us: int) -> dict[str, Any]:
    said = [(str(k), piece) for k, piece in enumerate(ribbon.pieces) if piece.entry and piece.given is not None]
    return {
        "unit": ribbon.unit,
        "to_s": [seconds(piece.end_us - start_us) for piece in ribbon.pieces],
        "states": "".join(LETTERS[piece.state] for piece in ribbon.pieces),
        "reasons": [names.setdefault(piece.reason, len(names)) for piece in ribbon.pieces],
        "given": {place: piece.given for place, piece in said},
        "given_ids": {place: piece.entry.id for place, piece in said if piece.entry},
    }


def _questions(sheet: Sheet) -> dict[str, Any]:
    found = sheet.questions
    longest: Iterable[Any] = (question_told(one).model_dump(mode="json") for one in found.longest)
    return {"number": found.number, "total_s": seconds(found.total_us), "questions": list(longest)}


def _choices(site: Site) -> dict[str, Any]:
    reasons = [{"reason": one.name, "text": one.text, "states": list(one.states)} for one in site.reasons]
    return {"reasons": reasons, "roles": list(site.roles)}
