"""GET /v1/shifts: a line's shifts as they really were."""

from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf, WindowParameters, unit_of
from zoneledger.api.problems import described
from zoneledger.api.stop_answers import StopAnswer, stop_told
from zoneledger.api.times import Seconds, Time, rfc3339, rfc3339_or_none, seconds
from zoneledger.api.turns import InTurn
from zoneledger.application.shifts import ReadShift, read_shifts
from zoneledger.application.windows import window_of

router = APIRouter(tags=["shifts"], route_class=InTurn)


class ShiftAnswer(BaseModel):
    """One shift."""

    shift: str = Field(
        description="local date at its start, and its name: what `shift=` takes", examples=["2026-11-25/early"]
    )
    start: Time = Field(description="its start as it really was, included")
    end: Time = Field(description="its end, not included")
    planned_s: Seconds = Field(
        description="its length less its planned stops, in seconds; of a cell as far as it belongs to its line",
        examples=[27000.0],
    )
    stops: list[StopAnswer]
    over: bool = Field(description="whether it has ended by now", examples=[True])
    revision: int = Field(
        description="rises when late evidence or a changed plant model changed its figures", examples=[1]
    )
    restated: Time | None = Field(
        description="when its figures last changed after it was over; null where they never did: /v1/revisions lists each change"
    )


class ShiftsAnswer(BaseModel):
    """The shifts that overlap a window, by start."""

    unit: str = Field(description="whose revisions these are: the line's or a cell's", examples=["harbour/wing-1"])
    line: str | None = Field(description="the path of the line whose shifts they are", examples=["harbour/wing-1"])
    shifts: list[ShiftAnswer]


def _answer(read: ReadShift, now_us: int) -> ShiftAnswer:
    shift = read.shift
    return ShiftAnswer(
        shift=shift.id,
        start=rfc3339(shift.start_us),
        end=rfc3339(shift.end_us),
        planned_s=seconds(read.planned_us),
        stops=[stop_told(*stop) for stop in shift.stops],
        over=shift.end_us <= now_us,
        revision=read.revision,
        restated=rfc3339_or_none(read.restated_us),
    )


@router.get("/v1/shifts/{line:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_shifts(
    service: ServiceOf,
    line: Annotated[str, Path(description="The line's path", examples=["harbour/wing-1"])],
    parameters: Annotated[WindowParameters, Query()],
) -> ShiftsAnswer:
    """The shifts of a line (or of the line of a cell) that overlap a window."""
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, line)
        now_us = service.now_us()
        window = window_of(found, parameters.asked(), now_us)
        shifts = await read_shifts(reading, found, window, service.limits)
    return ShiftsAnswer(unit=found.path, line=found.line_path, shifts=[_answer(shift, now_us) for shift in shifts])
