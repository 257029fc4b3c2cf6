"""GET /v1/failures: how often a unit failed, and how long it was repaired."""

from typing import Annotated

from fastapi import APIRouter, Query

from zoneledger.api.access import ServiceOf, UnitPath, unit_of
from zoneledger.api.confidence import BoundedParameters
from zoneledger.api.failure_answers import FailuresAnswer, answer_of
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.failures import read_failures
from zoneledger.application.windows import window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


@router.get("/v1/failures/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_failures(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[BoundedParameters, Query()],
) -> FailuresAnswer:
    """Mean times between failures and to repair with bounds, of a site, line, cell or zone, its parts, subsystems and alarm codes.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now.
    """
    async with service.store.reading() as reading:
        asked = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(asked, parameters.asked(), now_us)
        found = await read_failures(reading, asked, window, now_us, service.limits)
    return answer_of(found, parameters.confidence)
