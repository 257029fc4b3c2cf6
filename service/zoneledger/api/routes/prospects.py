"""GET /v1/prospects: what a cell would make if one of its losses were changed."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, unit_of
from zoneledger.api.problems import described
from zoneledger.api.prospect_answers import ProspectsAnswer, answer_of
from zoneledger.api.turns import InTurn
from zoneledger.application.prospects import read_prospects
from zoneledger.application.windows import window_of

router = APIRouter(tags=["panels"], route_class=InTurn)


class ProspectsParameters(WindowParameters):
    """A window whose passes are replayed, and the change that is tried on each loss."""

    factor: float = Field(
        default=0.5,
        ge=0,
        le=10,
        allow_inf_nan=False,
        description="What the times of a loss are multiplied by: 0.5 halves it",
        examples=[0.5],
    )
    transfer_s: float | SkipJsonSchema[None] = optional(
        "The head's way from one zone to another, in seconds, where it is known better than the ledger shows",
        25.0,
        ge=0,
        le=86_400,
        allow_inf_nan=False,
    )


@router.get(
    "/v1/prospects/{unit:path}",
    responses=described("unit_unknown", "shift_unknown", "window_invalid", "level_wrong", "busy"),
)
async def get_prospects(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[ProspectsParameters, Query()],
) -> ProspectsAnswer:
    """What a cell would make in an hour if loading, setup, one fault or one wait were changed, or all changeover masked.

    The head and loading times of the panel passes that ended in a window of at most 31 days are replayed in their order, once as they
    were and once for each change.
    """
    transfer_us = None if parameters.transfer_s is None else round(parameters.transfer_s * 1_000_000)
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(found, parameters.asked(), now_us)
        prospects = await read_prospects(reading, found, window, now_us, service.limits, parameters.factor, transfer_us)
    return answer_of(prospects)
