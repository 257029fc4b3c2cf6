"""GET /v1/revisions: which changes of the past bear on a unit's figures, and why."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, unit_of
from zoneledger.api.pages import ListParameters
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn
from zoneledger.application.plants import FOREVER_US
from zoneledger.application.revisions import list_changes
from zoneledger.application.stored import Listed, Revision
from zoneledger.application.windows import window_of

router = APIRouter(tags=["figures"], route_class=InTurn)


class ChangesParameters(WindowParameters, ListParameters):
    """A window, and which page of its changes."""


class ChangeAnswer(BaseModel):
    """A change of the past; each raises the revision of the figures that it touches by one."""

    id: int = Field(description="its number in this list", examples=[17])
    unit: str = Field(
        description="the cell, line or zone whose figures it may have changed", examples=["harbour/wing-1"]
    )
    start: Time = Field(description="from when on figures may have changed, included")
    end: Time | None = Field(description="until when, not included; null: from `start` on for good")
    recorded: Time = Field(description="when the change came about")
    cause: str = Field(
        description="late messages, messages after a silence, link up and down again, verdicts, rebuild, plant version N, or "
        "reason given by, reason taken back by or given reason undone by a role",
        examples=["late messages"],
    )


class ChangesPage(BaseModel):
    """A page of changes, in the order in which they came about."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="begin of the window, included")
    end: Time = Field(description="end of the window, not included")
    revisions: list[ChangeAnswer]
    next: int | None = Field(description="give it as `after` for the next page; null on the last", examples=[117])


def _answer(change: Listed[Revision]) -> ChangeAnswer:
    row = change.row
    return ChangeAnswer(
        id=change.id,
        unit=row.unit,
        start=rfc3339(row.from_us),
        end=None if row.to_us >= FOREVER_US else rfc3339(row.to_us),
        recorded=rfc3339(row.recorded_us),
        cause=row.cause,
    )


@router.get("/v1/revisions/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_revisions(
    service: ServiceOf, unit: UnitPath, parameters: Annotated[ChangesParameters, Query()]
) -> ChangesPage:
    """The changes of the past that bear on a unit's figures in a window: late evidence, verdicts, another plant model."""
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        window = window_of(found, parameters.asked(), service.now_us())
        rows = await list_changes(reading, found, window, parameters.after, parameters.limit + 1)
    page, following = parameters.cut(rows)
    return ChangesPage(
        unit=found.path,
        start=rfc3339(window.start_us),
        end=rfc3339(window.end_us),
        revisions=[_answer(row) for row in page],
        next=following,
    )
