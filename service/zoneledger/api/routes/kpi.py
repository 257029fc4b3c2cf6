"""GET /v1/kpi: the figures of a unit."""

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, read_against, unit_of
from zoneledger.api.kpi_answers import ComparedAnswer, KpiAnswer, SeriesAnswer, answer_of, compared
from zoneledger.api.problems import described
from zoneledger.api.turns import InTurn
from zoneledger.application.kpi import read_kpis
from zoneledger.application.windows import Window, other_window, series_of, window_of
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit

router = APIRouter(tags=["figures"], route_class=InTurn)


class KpiParameters(WindowParameters):
    """A window, and whether it is split or compared with another one."""

    by: Literal["hour", "shift", "day", "week", "month"] | SkipJsonSchema[None] = optional(
        "Give a series: the window split at the site's hours, days, ISO weeks or months, or the shifts that begin in it",
        "shift",
    )
    against: str | SkipJsonSchema[None] = optional(
        "Compare with another window of the unit: `before` (the shift or day before, or as much time before), a shift, a day, "
        "or two instants joined by `/`; not with `by`",
        "2026-11-24/early",
        max_length=100,
    )


def _other(unit: Unit, window: Window, parameters: KpiParameters) -> Window:
    if parameters.by is not None:
        raise WindowInvalid("A window is either split (by) or compared with another one (against).")
    assert parameters.against is not None
    return other_window(unit, window, read_against(parameters.against))


@router.get("/v1/kpi/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_kpi(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[KpiParameters, Query()],
) -> KpiAnswer | ComparedAnswer | SeriesAnswer:
    """OEE with its factors, times, fasteners, rates and utilisation of a site, line, cell or zone over one window, or a series.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now. Compared with another
    window, the difference of the OEE is split into what each factor contributed.
    """
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        window, by = window_of(found, parameters.asked()), parameters.by
        windows = [window] if by is None else series_of(found, window, by)
        if parameters.against is not None:
            windows.append(_other(found, window, parameters))
        kpis = await read_kpis(reading, found, windows, service.now_us(), service.limits)
    if parameters.against is not None:
        return compared(*kpis)
    answers = [answer_of(kpi) for kpi in kpis]
    return answers[0] if by is None else SeriesAnswer(unit=found.path, by=by, series=answers)
