"""GET /v1/timeline: the ledger's spans."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, unit_of
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn
from zoneledger.application.timeline import read_timeline
from zoneledger.application.windows import window_of
from zoneledger.core.given import Piece

router = APIRouter(tags=["ledger"], route_class=InTurn)


class SpanAnswer(BaseModel):
    """One state with one reason over [start, end); `reason` is the machine's, `given` what people said of it."""

    start: Time = Field(description="its start, included")
    end: Time = Field(description="its end, not included")
    state: str = Field(description="running, idle, fault, changeover or unknown", examples=["fault"])
    reason: str | None = Field(description="why; null where nothing was ever known", examples=["clamp-force"])
    given: str | None = Field(
        description="the reason that people gave, null where they gave none", examples=["sealant-change"]
    )
    given_id: int | None = Field(
        description="the number of the entry that gave it, in /v1/reasons: who, when and why", examples=[17]
    )


class UnitTimeline(BaseModel):
    """A unit's spans; they partition the window up to `until`."""

    unit: str = Field(description="the path of the zone or cell", examples=["harbour/wing-1/cell-1/1"])
    spans: list[SpanAnswer]


class TimelineAnswer(BaseModel):
    """The spans of the unit that was asked for: a zone's own, a cell's and its zones', or those of all cells."""

    unit: str = Field(description="the path that was asked for", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="start of the window, included")
    end: Time = Field(description="end of the window, not included")
    until: Time = Field(description="where reading ended: the window's end, or now if that is earlier")
    units: list[UnitTimeline]


def _answer(piece: Piece) -> SpanAnswer:
    return SpanAnswer(
        start=rfc3339(piece.start_us),
        end=rfc3339(piece.end_us),
        state=piece.state,
        reason=piece.reason,
        given=piece.given,
        given_id=piece.entry.id if piece.entry and piece.given else None,
    )


@router.get("/v1/timeline/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_timeline(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[WindowParameters, Query()],
) -> TimelineAnswer:
    """The spans of a window of at most 31 days, unknown time included, split where people gave a reason; at most 20,000 at once."""
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(found, parameters.asked(), now_us)
        rows = await read_timeline(reading, found, window, now_us, service.limits)
    return TimelineAnswer(
        unit=found.path,
        start=rfc3339(window.start_us),
        end=rfc3339(window.end_us),
        until=rfc3339(window.until_us(now_us)),
        units=[UnitTimeline(unit=path, spans=[_answer(span) for span in spans]) for path, spans in rows.items()],
    )
