"""GET /v1/commissioning: what the service makes of a cell's messages, for whoever programs its controller."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from zoneledger.api.access import Parameters, ServiceOf, UnitPath, unit_of
from zoneledger.api.commissioning_answers import CommissioningAnswer
from zoneledger.api.commissioning_told import answer_of
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.hearing import HOUR_US, MAX_HOURS, hear
from zoneledger.core.errors import LevelWrong

router = APIRouter(tags=["evidence"], route_class=InTurn)


class CommissioningParameters(Parameters):
    """How far back is looked."""

    hours: float = Field(
        default=1,
        ge=0.001,
        le=MAX_HOURS,
        allow_inf_nan=False,
        description="How many hours are looked at, counted back from now",
        examples=[1],
    )


@router.get("/v1/commissioning/{cell:path}", responses=described("unit_unknown", "level_wrong", "busy"))
async def get_commissioning(
    service: ServiceOf,
    cell: UnitPath,
    parameters: Annotated[CommissioningParameters, Query()],
) -> CommissioningAnswer:
    """What came of a cell's controller in the last hours, what was refused and why, and where it breaks the message contract.

    `findings` say what is wrong and what to do, breaches of the contract first. `kept` is true where there is no breach.
    """
    now_us = service.now_us()
    async with service.store.reading() as reading:
        unit = await unit_of(service, reading, cell)
        if unit.level != "cell":
            raise LevelWrong(f"{unit.path} is a {unit.level}; a cell is commissioned, such as harbour/wing-1/cell-1.")
        start_us = now_us - round(parameters.hours * HOUR_US)
        listens = service.listens is not None
        heard = await hear(reading, unit, start_us, now_us, service.limits, listens=listens)
    return answer_of(heard)
