"""GET /v1/pace: how many fasteners were made in each of the equal pieces of a window."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, unit_of
from zoneledger.api.kpi_answers import NamedWindowAnswer, named_window_told
from zoneledger.api.pace_answers import ZonePaceAnswer, zone_pace_told
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn
from zoneledger.application.pace import MAX_PARTS, Pace, read_pace
from zoneledger.application.windows import window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


class PaceParameters(WindowParameters):
    """A window, and how many pieces it is cut into."""

    parts: int = Field(default=96, ge=1, le=MAX_PARTS, description="Into so many equal pieces", examples=[96])


class UnitPaceAnswer(NamedWindowAnswer):
    """What the zones of a unit made in each of the equal pieces of a window."""

    parts: int = Field(description="how many pieces the window is cut into", examples=[96])
    starts: list[Time] = Field(
        description="where each piece begins; it ends where the next one begins, the last at `end`",
        examples=[["2026-11-25T06:00:00Z", "2026-11-25T06:05:00Z"]],
    )
    zones: list[ZonePaceAnswer] = Field(description="a zone, or all those of a cell, line or site")


@router.get("/v1/pace/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_pace(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[PaceParameters, Query()],
) -> UnitPaceAnswer:
    """The fasteners that each zone made in equal pieces of a window of at most 31 days, all and good ones.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now.
    """
    async with service.store.reading() as reading:
        asked = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(asked, parameters.asked(), now_us)
        pace = await read_pace(reading, asked, window, parameters.parts, now_us)
    return answer_of(pace)


def answer_of(pace: Pace) -> UnitPaceAnswer:
    """Return what the API answers of a pace."""
    return UnitPaceAnswer(
        **named_window_told(pace.unit, pace.window, pace.until_us),
        parts=len(pace.starts_us),
        starts=[rfc3339(start_us) for start_us in pace.starts_us],
        zones=[zone_pace_told(zone) for zone in pace.zones],
    )
