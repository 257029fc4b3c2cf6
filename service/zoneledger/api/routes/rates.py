"""GET /v1/rates: how fast a unit made fasteners."""

from typing import Annotated, Self

from fastapi import APIRouter, Query
from pydantic import model_validator
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, optional, unit_of
from zoneledger.api.confidence import BoundedParameters
from zoneledger.api.problems import described
from zoneledger.api.rate_answers import Asked, RatesAnswer, answer_of
from zoneledger.api.turns import InTurn
from zoneledger.application.rates import read_rates
from zoneledger.application.windows import window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


class RatesParameters(BoundedParameters):
    """A window, the confidence of bounds, and the limits that the seconds of a fastener are held against."""

    least_s: float | SkipJsonSchema[None] = optional(
        "The least seconds that a fastener should take, for its capability", 3.0, ge=0, le=86_400, allow_inf_nan=False
    )
    most_s: float | SkipJsonSchema[None] = optional(
        "The most seconds that a fastener should take; above `least_s`", 6.0, ge=0, le=86_400, allow_inf_nan=False
    )

    @model_validator(mode="after")
    def _is_a_range(self) -> Self:
        if self.least_s is not None and self.most_s is not None and self.least_s >= self.most_s:
            raise ValueError("least_s should be below most_s")
        return self


@router.get("/v1/rates/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_rates(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[RatesParameters, Query()],
) -> RatesAnswer:
    """Fasteners per hour, the best rolling hour, and fasteners by kind and by program, of a site, line, cell or zone.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now.
    """
    async with service.store.reading() as reading:
        asked = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(asked, parameters.asked(), now_us)
        found = await read_rates(reading, asked, window, now_us, service.limits)
    return answer_of(found, Asked(parameters.confidence, parameters.least_s, parameters.most_s))
