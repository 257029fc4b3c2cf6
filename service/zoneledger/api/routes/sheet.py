"""GET /v1/sheet: all that a shift sheet shows of a unit, in one answer."""

from typing import Annotated

from fastapi import APIRouter, Query, Response
from msgspec.json import encode
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, read_against, unit_of
from zoneledger.api.kept import MEDIA_TYPE
from zoneledger.api.problems import described
from zoneledger.api.sheet_answers import SheetAnswer, sheet_told
from zoneledger.api.turns import InTurn
from zoneledger.application.sheet import read_sheet
from zoneledger.application.windows import Asked, present_window, window_of

router = APIRouter(tags=["sheet"], route_class=InTurn)


class SheetParameters(WindowParameters):
    """A window, and what it is compared with."""

    against: str | SkipJsonSchema[None] = optional(
        "Compare with another window: `before` (unless told), a shift, a day, or two instants joined by `/`, and neither `now` "
        "nor `last`",
        "2026-11-24/early",
        max_length=100,
    )


@router.get(
    "/v1/sheet/{unit:path}",
    response_model=SheetAnswer,
    responses=described("unit_unknown", "shift_unknown", "window_invalid", "level_wrong", "busy"),
)
async def get_sheet(service: ServiceOf, unit: UnitPath, parameters: Annotated[SheetParameters, Query()]) -> Response:
    """The figures of a site, line or cell and of each of its cells, their ribbons of states, pace, losses, panels and notes.

    All of it is of one moment. Without a window it is the line's shift that began last, or today. Windows have at most 31 days,
    and 310 cell-days.
    """
    now_us, asked = service.now_us(), parameters.asked()
    other = None if parameters.against is None else read_against(parameters.against)
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        window = present_window(found, now_us) if asked == Asked() else window_of(found, asked, now_us)
        sheet = await read_sheet(reading, found, window, other, now_us, service.limits)
    return Response(encode(sheet_told(sheet, now_us)), media_type=MEDIA_TYPE)
