"""The document that declares a plant, field by field: the body of GET and PUT /v1/plant, and the plant.yaml file."""

import re
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from zoneledger.core.plant import PATH_STEP_PATTERN, Operation
from zoneledger.core.shifts import FIRST_SINCE, LAST_DATE

CLOCK_PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
TEXT_PATTERN = r"^[^\u0000-\u001f\u007f-\u009f]+$"
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def _calendar_date(value: Any) -> Any:
    if not isinstance(value, str):
        raise ValueError("must be a date such as 2026-01-05")
    try:
        day = date.fromisoformat(value) if _DATE.fullmatch(value) else None
    except ValueError:
        day = None
    if day is None:
        raise ValueError("must be a date that exists, such as 2026-01-05")
    if not FIRST_SINCE <= day <= LAST_DATE:
        raise ValueError(f"must be a date from {FIRST_SINCE} to {LAST_DATE}")
    return day


def _microseconds_at_most(value: float) -> float:
    if Decimal(repr(value)).as_tuple().exponent not in range(-6, 20):
        raise ValueError("must have at most 6 decimals")
    return value


def _name(description: str, example: str) -> Any:
    return Field(pattern=PATH_STEP_PATTERN, description=description, examples=[example])


def _clock(description: str, example: str) -> Any:
    return Field(pattern=CLOCK_PATTERN, description=description, examples=[example])


CalendarDate = Annotated[date, BeforeValidator(_calendar_date)]
Seconds = Annotated[float, Field(gt=0, le=86_400, allow_inf_nan=False), AfterValidator(_microseconds_at_most)]
Identifier = Annotated[str, Field(min_length=1, max_length=200, pattern=TEXT_PATTERN)]


class DocumentModel(BaseModel):
    """What all parts of the document share: nothing is converted, and a field that is not known is an error."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class StopDocument(DocumentModel):
    """A planned stop of a shift; its time is not planned time."""

    stop: str = Field(
        min_length=1, max_length=40, pattern=TEXT_PATTERN, description="Name of the planned stop.", examples=["meal"]
    )
    starts: str = _clock("Wall-clock time at the site; one before the shift's own start is on the next day.", "10:00")
    ends: str = _clock("Wall-clock time at the site; one before the stop's start is on the next day.", "10:30")


class ShiftDocument(DocumentModel):
    """A shift of a line by the wall clock, repeated by date."""

    shift: str = _name("Name of the shift; with its local date it addresses one: `2026-11-25/early`.", "early")
    starts: str = _clock("Wall-clock time at the site.", "06:00")
    ends: str = _clock("Wall-clock time at the site; one not after `starts` is on the next day.", "14:00")
    repeats: str = Field(
        min_length=1,
        max_length=500,
        description="RFC 5545 recurrence rule that chooses dates: FREQ=DAILY, WEEKLY, MONTHLY or YEARLY. "
        "UNTIL is a date, the last one on which the shift may start.",
        examples=["FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR"],
    )
    since: CalendarDate = Field(description="The local date from which the rule counts (DTSTART).")
    except_: list[CalendarDate] = Field(
        default=[],
        alias="except",
        max_length=1000,
        description="Dates of the rule on which the shift does not take place.",
    )
    extra: list[CalendarDate] = Field(
        default=[], max_length=1000, description="Dates outside the rule on which the shift takes place as well."
    )
    stops: list[StopDocument] = Field(default=[], max_length=50, description="Planned stops within the shift.")


class StandardDocument(DocumentModel):
    """The ideal time for one fastener; the most specific that is valid wins: item and program, item, program."""

    operation: Operation = Field(description="What the head does.")
    seconds: Seconds = Field(
        description="Ideal seconds of the head for one fastener; at most 6 decimals.", examples=[4.0]
    )
    since: CalendarDate = Field(description="Valid from the local midnight at which this date begins.")
    item: Identifier | None = Field(default=None, description="Only for this item of fastener.", examples=["lb-8"])
    program: Identifier | None = Field(default=None, description="Only for this program.", examples=["skin-left"])
    minor_stop_seconds: Seconds | None = Field(
        default=None,
        description="Running time without a fastener longer than this is a minor stop; "
        "by default 3 times `seconds`, and at least 15.",
    )


class TargetDocument(DocumentModel):
    """What was promised: compared with on the shift sheet, and changing no figure."""

    since: CalendarDate = Field(description="Valid from the local midnight at which this date begins.")
    oee: Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)] | None = Field(
        default=None, description="OEE, more than 0 and at most 1.", examples=[0.7]
    )
    good_per_hour: Annotated[float, Field(gt=0, le=1_000_000, allow_inf_nan=False)] | None = Field(
        default=None, description="Good fasteners per planned hour of one cell.", examples=[600.0]
    )


class CellDocument(DocumentModel):
    """A cell: one head, and the work zones that it serves."""

    cell: str = _name("Name of the cell, the third step of its path.", "cell-1")
    zones: list[Annotated[str, Field(pattern=PATH_STEP_PATTERN)]] = Field(
        min_length=1, max_length=50, description="Names of the work zones.", examples=[["1", "2"]]
    )
    standards: list[StandardDocument] = Field(
        default=[], max_length=5000, description="Standards of this cell; they win over those of its line."
    )
    targets: list[TargetDocument] = Field(
        default=[], max_length=500, description="What was promised of this cell; it wins over what was of its line."
    )
    since: CalendarDate | None = Field(
        default=None,
        description="It belongs to its line from the local midnight at which this date begins, and has no planned time "
        "before; left out: from the beginning.",
        examples=["2026-03-02"],
    )


class LineDocument(DocumentModel):
    """A line of cells with one set of shifts; without shifts it is planned around the clock."""

    line: str = _name("Name of the line, the second step of its path.", "wing-1")
    shifts: list[ShiftDocument] = Field(default=[], max_length=50, description="Shifts; they may not overlap.")
    standards: list[StandardDocument] = Field(default=[], max_length=5000, description="Standards of all its cells.")
    cells: list[CellDocument] = Field(default=[], max_length=200, description="Cells in the order to show them in.")
    targets: list[TargetDocument] = Field(
        default=[], max_length=500, description="What was promised of the line, and of each of its cells."
    )


class ReasonDocument(DocumentModel):
    """A reason that people may give afterwards to time that the machine does not explain."""

    reason: str = _name("Name of the reason.", "no-panel")
    text: str | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        pattern=TEXT_PATTERN,
        description="What it means, in plain words.",
        examples=["No panel at the cell"],
    )
    for_: list[Literal["idle", "fault"]] = Field(
        default=["idle", "fault"],
        alias="for",
        min_length=1,
        max_length=2,
        description="Which time it may be given to: idle without a reason, faults; both unless told.",
    )


class SiteDocument(DocumentModel):
    """A site: one place with one time zone."""

    site: str = _name("Name of the site, the first step of its path.", "harbour")
    timezone: str = Field(max_length=100, description="IANA name of the time zone.", examples=["Europe/Lisbon"])
    lines: list[LineDocument] = Field(default=[], max_length=200, description="Lines in the order to show them in.")
    reasons: list[ReasonDocument] = Field(
        default=[], max_length=500, description="Reasons that people may give, in the order to show them in."
    )
    roles: list[Annotated[str, Field(pattern=PATH_STEP_PATTERN)]] = Field(
        default=[],
        max_length=50,
        description="Roles that may give them: what somebody is there for, never who it is.",
        examples=[["shift-lead", "maintenance"]],
    )


EXAMPLE: dict[str, Any] = {
    "sites": [
        {
            "site": "harbour",
            "timezone": "Europe/Lisbon",
            "lines": [
                {
                    "line": "wing-1",
                    "shifts": [
                        {
                            "shift": "early",
                            "starts": "06:00",
                            "ends": "14:00",
                            "repeats": "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR",
                            "since": "2026-01-05",
                            "except": ["2026-12-25"],
                            "stops": [{"stop": "meal", "starts": "10:00", "ends": "10:30"}],
                        }
                    ],
                    "standards": [
                        {"operation": "fasten", "seconds": 4.0, "since": "2026-01-01"},
                        {
                            "operation": "fasten",
                            "seconds": 5.2,
                            "since": "2026-01-01",
                            "item": "lb-8",
                            "program": "skin-left",
                        },
                    ],
                    "cells": [{"cell": "cell-1", "zones": ["1", "2"]}],
                    "targets": [{"since": "2026-01-01", "oee": 0.7, "good_per_hour": 600}],
                }
            ],
            "reasons": [{"reason": "no-panel", "text": "No panel at the cell", "for": ["idle"]}],
            "roles": ["shift-lead"],
        }
    ]
}


class PlantDocument(DocumentModel):
    """The whole plant: sites, lines, cells, zones, shifts, standards and reasons. A plant without sites is valid."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    sites: list[SiteDocument] = Field(max_length=50, description="Sites in the order to show them in.")


def canonical_json(document: PlantDocument) -> str:
    """Return the document as JSON text: the same fields as were given, in one fixed order, without white space."""
    return document.model_dump_json(by_alias=True, exclude_unset=True)
