"""GET /v1/events and /v1/snapshots: what is stored, message by message, in the order in which it was stored."""

import json
from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, find_unit, optional
from zoneledger.api.pages import PageParameters
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn
from zoneledger.application.ports import Reading
from zoneledger.application.stored import EventRow, Listed, RowT, SnapshotRow
from zoneledger.bootstrap import Service

router = APIRouter(tags=["exports"], route_class=InTurn)

_ID: Any = Field(description="its number in this list", examples=[17])
_CELL: Any = Field(description="the cell's path", examples=["harbour/wing-1/cell-1"])
_BOOT: Any = Field(description="the controller's start", examples=[1764050400])
_AT: Any = Field(description="the controller's time")
_NEXT: Any = Field(description="give it as `after` for the next page; null on the last", examples=[1017])


class EventAnswer(BaseModel):
    """An event as it is stored."""

    id: int = _ID
    cell: str = _CELL
    boot: int = _BOOT
    seq: int = Field(description="its number in that boot", examples=[4180])
    at: Time = _AT
    arrived: Time = Field(description="when it arrived")
    type: str = Field(description="its type, known to this version or not", examples=["alarm"])
    message: dict[str, Any] = Field(
        description="the message itself, as it came",
        examples=[{"v": 1, "boot": 1764050400, "seq": 4180, "at": "2026-11-25T06:00:00Z", "type": "alarm"}],
    )


class SnapshotAnswer(BaseModel):
    """A snapshot as it is stored: place, instant and content."""

    id: int = _ID
    cell: str = _CELL
    boot: int = _BOOT
    seq: int = Field(description="number of the event before it, 0 before any", examples=[4180])
    at: Time = _AT
    zones: dict[str, Any] = Field(
        description="the zones' conditions, as the message told them", examples=[{"1": {"activity": "process"}}]
    )
    alarms: list[dict[str, Any]] = Field(
        description="the active alarms, in the order in which they were raised",
        examples=[[{"code": "guard-open", "severity": "stop"}]],
    )


class EventsPage(BaseModel):
    """A page of events."""

    events: list[EventAnswer]
    next: int | None = _NEXT


class SnapshotsPage(BaseModel):
    """A page of snapshots."""

    snapshots: list[SnapshotAnswer]
    next: int | None = _NEXT


class ExportParameters(PageParameters):
    """Which messages are given."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only of the cells of this unit; else of every cell that ever sent, of the plant or not",
        "harbour/wing-1/cell-1",
        max_length=200,
    )
    limit: int = Field(default=1000, ge=1, le=5000, description="At most so many rows", examples=[1000])


PageOf = Annotated[ExportParameters, Query()]


async def _rows(
    service: Service, page: ExportParameters, read: Callable[[Reading, list[str] | None], Awaitable[list[Listed[RowT]]]]
) -> list[Listed[RowT]]:
    """Read a page of the messages of a unit's cells, or of every cell."""
    async with service.store.reading() as reading:
        if page.unit is None:
            return await read(reading, None)
        plant = (await service.plants.present(reading)).plant
        return await read(reading, [cell.path for cell in find_unit(plant, page.unit).cells])


def _page(name: str, rows: list[str], following: int | None) -> Response:
    """Return a page of rows that are JSON already: a model of each would take longer than all the rest."""
    text = f'{{"{name}":[{",".join(rows)}],"next":{json.dumps(following)}}}'
    return Response(text, media_type="application/json")


def _event(listed: Listed[EventRow]) -> str:
    row = listed.row
    return (
        f'{{"id":{listed.id},"cell":{json.dumps(listed.cell)},"boot":{row.boot},"seq":{row.seq},"at":"{rfc3339(row.at_us)}",'
        f'"arrived":"{rfc3339(row.arrived_us)}","type":{json.dumps(row.type)},"message":{row.body}}}'
    )


def _snapshot(listed: Listed[SnapshotRow]) -> str:
    row = listed.row
    return (
        f'{{"id":{listed.id},"cell":{json.dumps(listed.cell)},"boot":{row.boot},"seq":{row.seq},"at":"{rfc3339(row.at_us)}",'
        f"{row.body[1:]}"
    )


@router.get("/v1/events", response_model=EventsPage, responses=described("unit_unknown", "busy"))
async def get_events(service: ServiceOf, page: PageOf) -> Response:
    """Events that are stored, each with its message as it came, in the order in which they were stored.

    While messages are being taken in, an event may appear before the last one read: a whole list is read afterwards.
    """
    rows, following = page.cut(
        await _rows(service, page, lambda reading, cells: reading.events_by_arrival(cells, page.after, page.limit + 1))
    )
    return _page("events", [_event(row) for row in rows], following)


@router.get("/v1/snapshots", response_model=SnapshotsPage, responses=described("unit_unknown", "busy"))
async def get_snapshots(service: ServiceOf, page: PageOf) -> Response:
    """Snapshots that are stored, each that told something new once, in the order in which they were stored.

    While messages are being taken in, a snapshot may appear before the last one read: a whole list is read afterwards.
    """
    rows, following = page.cut(
        await _rows(
            service, page, lambda reading, cells: reading.snapshots_by_arrival(cells, page.after, page.limit + 1)
        )
    )
    return _page("snapshots", [_snapshot(row) for row in rows], following)
