"""GET /v1/gaps, /v1/discrepancies and /v1/unmatched: what is missing, what does not fit."""

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf, find_unit
from zoneledger.api.pages import PageParameters
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339, rfc3339_or_none
from zoneledger.api.turns import InTurn
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Listed, RowT, Unmatched
from zoneledger.bootstrap import Service
from zoneledger.core.rows import Discrepancy, Gap

router = APIRouter(tags=["evidence"], route_class=InTurn)

_ID: Any = Field(description="its number in this list", examples=[17])
_CELL: Any = Field(description="the cell's path", examples=["harbour/wing-1/cell-1"])
_NEXT: Any = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class GapAnswer(BaseModel):
    """Events that are missing: their numbers were never seen."""

    id: int = _ID
    cell: str = _CELL
    boot: int = Field(description="the controller's start in which they are missing", examples=[1764050400])
    first_seq: int = Field(description="number of the first one missing", examples=[4180])
    last_seq: int = Field(description="number of the last one missing", examples=[4183])
    since: Time | None = Field(description="booked time of the message before them; null where there is none")
    until: Time = Field(description="booked time of the message that showed that they are missing")


class DiscrepancyAnswer(BaseModel):
    """Where a controller contradicts itself."""

    id: int = _ID
    cell: str = _CELL
    zone: str | None = Field(description="the zone, null where it is not of one", examples=["1"])
    boot: int = Field(description="the controller's start", examples=[1764050400])
    seq: int = Field(description="number of the event, or of the one before a snapshot", examples=[4180])
    at: Time = Field(description="booked time")
    kind: str = Field(
        description="clock_back, clock_not_believed, not_present, snapshot_differs or unseen", examples=["not_present"]
    )
    detail: str = Field(
        description="what does not fit, in a few words", examples=["load ended while process was present"]
    )
    unseen: int = Field(
        description="of the kind unseen: how many fasteners more its snapshot counts than were received", examples=[0]
    )


class GapsPage(BaseModel):
    """A page of missing events."""

    gaps: list[GapAnswer]
    next: int | None = _NEXT


class DiscrepanciesPage(BaseModel):
    """A page of contradictions."""

    discrepancies: list[DiscrepancyAnswer]
    next: int | None = _NEXT


class UnmatchedAnswer(BaseModel):
    """A verdict that applies to no fastener."""

    id: int = Field(description="the number of its event, in `/v1/events` too", examples=[17])
    cell: str = _CELL
    boot: int = Field(description="the controller's start", examples=[1764050400])
    seq: int = Field(description="number of its event", examples=[4180])
    at: Time = Field(description="when it was given, by the controller's clock")
    arrived: Time = Field(description="when it arrived")
    panel: str = Field(description="the panel that it names", examples=["P-1047"])
    position: str = Field(description="the position that it names", examples=["r-117"])
    result: str = Field(description="what it says of the fastener: good, rework or reject", examples=["reject"])


class UnmatchedPage(BaseModel):
    """A page of verdicts that apply to no fastener."""

    unmatched: list[UnmatchedAnswer]
    next: int | None = _NEXT


PageOf = Annotated[PageParameters, Query()]


async def _rows(
    service: Service, page: PageParameters, read: Callable[[Reading, list[str]], Awaitable[list[Listed[RowT]]]]
) -> list[Listed[RowT]]:
    """Read a page of the rows of a unit's cells, or of every cell of the plant."""
    async with service.store.reading() as reading:
        plant = (await service.plants.present(reading)).plant
        units = list(plant) if page.unit is None else list(find_unit(plant, page.unit).cells)
        return await read(reading, [unit.path for unit in units if unit.level == "cell"])


def _gap(row: Listed[Gap]) -> GapAnswer:
    gap = row.row
    return GapAnswer(
        id=row.id,
        cell=row.cell,
        boot=gap.place.boot,
        first_seq=gap.first_seq,
        last_seq=gap.last_seq,
        since=rfc3339_or_none(gap.since_us),
        until=rfc3339(gap.until_us),
    )


def _discrepancy(row: Listed[Discrepancy]) -> DiscrepancyAnswer:
    found = row.row
    return DiscrepancyAnswer(
        id=row.id,
        cell=row.cell,
        zone=found.zone or None,
        boot=found.place.boot,
        seq=found.place.seq,
        at=rfc3339(found.at_us),
        kind=found.kind,
        detail=found.detail,
        unseen=found.unseen,
    )


@router.get("/v1/gaps", responses=described("unit_unknown", "busy"))
async def get_gaps(service: ServiceOf, page: PageOf) -> GapsPage:
    """Events that are missing now; a gap closes by itself when its events arrive."""
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.gaps(cells, page.after, page.limit + 1))
    )
    return GapsPage(gaps=[_gap(row) for row in rows], next=following)


@router.get("/v1/discrepancies", responses=described("unit_unknown", "busy"))
async def get_discrepancies(service: ServiceOf, page: PageOf) -> DiscrepanciesPage:
    """Where controllers contradict themselves, for whoever programs them."""
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.discrepancies(cells, page.after, page.limit + 1))
    )
    return DiscrepanciesPage(discrepancies=[_discrepancy(row) for row in rows], next=following)


def _unmatched(row: Listed[Unmatched]) -> UnmatchedAnswer:
    given = row.row.verdict
    return UnmatchedAnswer(
        id=row.id,
        cell=row.cell,
        boot=given.boot,
        seq=given.seq,
        at=rfc3339(row.row.at_us),
        arrived=rfc3339(row.row.arrived_us),
        panel=given.panel,
        position=given.position,
        result=given.result,
    )


@router.get("/v1/unmatched", responses=described("unit_unknown", "busy"))
async def get_unmatched(service: ServiceOf, page: PageOf) -> UnmatchedPage:
    """Verdicts for which their cell made no fastener at their panel and position; one goes by itself when that arrives late."""
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.unmatched(cells, page.after, page.limit + 1))
    )
    return UnmatchedPage(unmatched=[_unmatched(row) for row in rows], next=following)
