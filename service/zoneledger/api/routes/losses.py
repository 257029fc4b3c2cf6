"""GET /v1/losses: where the planned time of a unit went."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, unit_of
from zoneledger.api.loss_answers import LossAnswer, LossSeriesAnswer, answer_of
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.losses import read_losses
from zoneledger.application.windows import series_of, window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


class LossParameters(WindowParameters):
    """A window, and whether it is split."""

    by: Literal["hour", "shift", "day", "week", "month"] | SkipJsonSchema[None] = optional(
        "Give a series: the window split at the site's hours, days, ISO weeks or months, or the shifts that begin in it",
        "shift",
    )


@router.get("/v1/losses/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_losses(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[LossParameters, Query()],
) -> LossAnswer | LossSeriesAnswer:
    """From planned time down to the standard time of good fasteners, step by step, with reasons, programs, items and positions.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now.
    """
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us, by = service.now_us(), parameters.by
        window = window_of(found, parameters.asked(), now_us)
        windows = [window] if by is None else series_of(found, window, by)
        losses = await read_losses(reading, found, windows, now_us, service.limits)
    answers = [answer_of(one) for one in losses]
    return answers[0] if by is None else LossSeriesAnswer(unit=found.path, by=by, series=answers)
