"""GET /v1/refused, /v1/gaps and /v1/discrepancies: what was not booked, what is missing, what does not fit."""

from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import Parameters, ServiceOf, find_unit, optional
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339, rfc3339_or_none
from zoneledger.application.ports import Listed, Reading, RowT
from zoneledger.bootstrap import Service
from zoneledger.core.booking import Discrepancy, Gap

router = APIRouter(tags=["evidence"])

MAX_ID = 2**53 - 1
_NO_CONTROLS = r"^[^\x00-\x1f\x7f-\x9f]*$"


_ID: Any = Field(description="its number in this list", examples=[17])
_CELL: Any = Field(description="the cell's path", examples=["harbour/wing-1/cell-1"])
_NEXT: Any = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class RefusedAnswer(BaseModel):
    """A message that was refused: kept, never booked."""

    id: int = _ID
    cell: str = Field(
        description="the cell's path as the topic or the request named it", examples=["harbour/wing-1/cell-9"]
    )
    origin: str = Field(description="the MQTT topic, or http", examples=["cells/v1/harbour/wing-1/cell-9/events"])
    arrived: Time = Field(description="when it arrived")
    index: int = Field(description="its place in its payload, from 0", examples=[0])
    reason: str = Field(description="why, for programs", examples=["unknown_cell"])
    detail: str = Field(
        description="why, in a sentence", examples=["the plant model names no cell harbour/wing-1/cell-9"]
    )
    text: str = Field(
        description="what came, at most 256 KiB of it; bytes that are no UTF-8 are replaced", examples=['{"v": 1}']
    )
    size: int = Field(description="how many bytes came", examples=[8])


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


class RefusedPage(BaseModel):
    """A page of refused messages, in the order in which they came."""

    refused: list[RefusedAnswer]
    next: int | None = _NEXT


class GapsPage(BaseModel):
    """A page of missing events."""

    gaps: list[GapAnswer]
    next: int | None = _NEXT


class DiscrepanciesPage(BaseModel):
    """A page of contradictions."""

    discrepancies: list[DiscrepancyAnswer]
    next: int | None = _NEXT


class PageParameters(Parameters):
    """Which rows a list gives."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only of the cells of this unit", "harbour/wing-1/cell-1", max_length=200
    )
    after: int = Field(
        default=0, ge=0, le=MAX_ID, description="Only rows after this id: `next` of the page before", examples=[0]
    )
    limit: int = Field(default=100, ge=1, le=1000, description="At most so many rows", examples=[100])

    def cut(self, rows: list[Listed[RowT]]) -> tuple[list[Listed[RowT]], int | None]:
        """Return the page of rows, of which one more than the limit was read, and where the next begins (None: nowhere)."""
        page = rows[: self.limit]
        return page, page[-1].id if len(rows) > self.limit else None


class RefusedParameters(PageParameters):
    """Which refused messages are given: fewer at once, as each holds up to 256 KiB."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only what was sent as this cell, named by the plant model or not",
        "harbour/wing-1/cell-9",
        max_length=500,
        pattern=_NO_CONTROLS,
    )
    limit: int = Field(default=50, ge=1, le=100, description="At most so many rows", examples=[50])


PageOf = Annotated[PageParameters, Query()]


async def _rows(
    service: Service, page: PageParameters, read: Callable[[Reading, list[str]], Awaitable[list[Listed[RowT]]]]
) -> list[Listed[RowT]]:
    """Read a page of the rows of a unit's cells, or of every cell of the plant."""
    async with service.store.reading() as reading:
        plant = (await service.plants.present(reading)).plant
        units = list(plant) if page.unit is None else list(find_unit(plant, page.unit).cells)
        return await read(reading, [unit.path for unit in units if unit.level == "cell"])


@router.get("/v1/refused", responses=described())
async def get_refused(service: ServiceOf, page: Annotated[RefusedParameters, Query()]) -> RefusedPage:
    """Messages that were refused, in the order in which they came; `unit` is a cell's path here, of the plant or not."""
    async with service.store.reading() as reading:
        rows, following = page.cut(await reading.refused(page.unit, page.after, page.limit + 1))
    answers = [
        RefusedAnswer(
            id=row.id,
            cell=row.cell,
            origin=row.row.origin,
            arrived=rfc3339(row.row.arrived_us),
            index=row.row.at_index,
            reason=row.row.reason,
            detail=row.row.detail,
            text=row.row.body.decode("utf-8", "replace"),
            size=row.row.size,
        )
        for row in rows
    ]
    return RefusedPage(refused=answers, next=following)


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


@router.get("/v1/gaps", responses=described("unit_unknown"))
async def get_gaps(service: ServiceOf, page: PageOf) -> GapsPage:
    """Events that are missing now; a gap closes by itself when its events arrive."""
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.gaps(cells, page.after, page.limit + 1))
    )
    return GapsPage(gaps=[_gap(row) for row in rows], next=following)


@router.get("/v1/discrepancies", responses=described("unit_unknown"))
async def get_discrepancies(service: ServiceOf, page: PageOf) -> DiscrepanciesPage:
    """Where controllers contradict themselves, for whoever programs them."""
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.discrepancies(cells, page.after, page.limit + 1))
    )
    return DiscrepanciesPage(discrepancies=[_discrepancy(row) for row in rows], next=following)
