"""GET /v1/kpi: the figures of a unit."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, unit_of
from zoneledger.api.kpi_answers import KpiAnswer, SeriesAnswer, answer_of
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.kpi import read_kpis
from zoneledger.application.windows import series_of, window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


class KpiParameters(WindowParameters):
    """A window, and whether it is split."""

    by: Literal["hour", "shift", "day", "week", "month"] | SkipJsonSchema[None] = optional(
        "Give a series: the window split at the site's hours, days, ISO weeks or months, or the shifts that begin in it",
        "shift",
    )


@router.get("/v1/kpi/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_kpi(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[KpiParameters, Query()],
) -> KpiAnswer | SeriesAnswer:
    """OEE with its factors, times, fasteners, rates and utilisation of a site, line, cell or zone over one window, or a series.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now.
    """
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        window, by = window_of(found, parameters.asked()), parameters.by
        windows = [window] if by is None else series_of(found, window, by)
        kpis = await read_kpis(reading, found, windows, service.now_us(), service.limits)
    answers = [answer_of(kpi) for kpi in kpis]
    return answers[0] if by is None else SeriesAnswer(unit=found.path, by=by, series=answers)
