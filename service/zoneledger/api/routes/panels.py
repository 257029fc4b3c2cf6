"""GET /v1/panels: panel passes."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, unit_of
from zoneledger.api.panel_answers import PanelsAnswer, answer_of
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.panels import MAX_PASSES, read_panels
from zoneledger.application.windows import window_of

router = APIRouter(tags=["panels"], route_class=InTurn)


class PanelsParameters(WindowParameters):
    """A window, and which page of its passes is given."""

    after: int = Field(
        default=0, ge=0, le=MAX_PASSES, description="Only passes after so many: `next` of the page before", examples=[0]
    )
    limit: int = Field(default=100, ge=1, le=1000, description="At most so many passes", examples=[100])


@router.get("/v1/panels/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_panels(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[PanelsParameters, Query()],
) -> PanelsAnswer:
    """The panel passes that ended in a window of at most 31 days, and by program what they add up to.

    Passes that were not over at the window's end, or are not now, are listed apart. Late messages may move passes to other pages.
    """
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us, after = service.now_us(), parameters.after
        window = window_of(found, parameters.asked(), now_us)
        panels = await read_panels(reading, found, window, now_us, service.limits, after, parameters.limit)
    return answer_of(panels, after)
