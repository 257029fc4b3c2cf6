"""GET /v1/refused and its counts, POST /v1/refused/retry: what was refused, and offering it again."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, Field

from zoneledger.api.access import CallerOf, Parameters, ServiceOf
from zoneledger.api.bodies import JSON, described_body, media_type, read_body, read_object
from zoneledger.api.guard import Guarded, check_named
from zoneledger.api.pages import ListParameters
from zoneledger.api.problems import described
from zoneledger.api.retry_bodies import EXAMPLE, MAX_BODY_BYTES, Chosen, RetryBody
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn, Turns
from zoneledger.application.stored import Listed, RefusedFilter, RefusedRow

router = APIRouter(tags=["refused"], route_class=InTurn)
_with_body = APIRouter(route_class=Guarded)

MAX_CELLS = 100

_NUMBER: Any = Field(description="how many", examples=[12])
_WHY: Any = Field(description="why, for programs", examples=["unknown_cell"])
_CELL: Any = Field(
    description="the cell's path as the topic or the request named it", examples=["harbour/wing-1/cell-9"]
)


class RefusedAnswer(BaseModel):
    """A message that was refused: kept, never booked."""

    id: int = Field(description="its number in this list", examples=[17])
    cell: str = _CELL
    origin: str = Field(description="the MQTT topic, or http", examples=["cells/v1/harbour/wing-1/cell-9/events"])
    arrived: Time = Field(description="when it arrived")
    index: int = Field(description="its place in its payload, from 0", examples=[0])
    reason: str = _WHY
    detail: str = Field(
        description="why, in a sentence", examples=["the plant model names no cell harbour/wing-1/cell-9"]
    )
    text: str = Field(
        description="what came, at most 256 KiB of it; bytes that are no UTF-8 are replaced", examples=['{"v": 1}']
    )
    size: int = Field(description="how many bytes came", examples=[8])


class RefusedPage(BaseModel):
    """A page of refused messages, in the order in which they came."""

    refused: list[RefusedAnswer]
    next: int | None = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class ReasonCount(BaseModel):
    """How many were refused for a reason."""

    reason: str = _WHY
    number: int = _NUMBER


class CellCount(BaseModel):
    """How many were refused of what was sent as a cell."""

    cell: str = _CELL
    number: int = _NUMBER


class RefusedCountsAnswer(BaseModel):
    """What the refused list holds now, the most first."""

    reasons: list[ReasonCount]
    cells: list[CellCount]


class RetryAnswer(BaseModel):
    """What came of refused messages that were offered again; all of it is committed."""

    offered: int = Field(description="entries of the list that were offered again", examples=[500])
    stored: int = Field(description="new messages; they have left the list", examples=[480])
    duplicate: int = Field(description="messages that were known already by now; they have left the list", examples=[1])
    refused: dict[str, int] = Field(
        description="messages that were refused again, by reason; they stay in the list",
        examples=[{"unknown_zone": 19}],
    )
    left_out: dict[str, int] = Field(
        description="entries that were not offered: of the `link` topic, `cut` to 256 KiB, or offered by somebody "
        "`elsewhere` just now",
        examples=[{"link": 2}],
    )
    upto: int = Field(
        description="give it again with `next`: entries after it came since the first call", examples=[9000]
    )
    next: int | None = Field(
        description="give it as `after` to go on with the rest; null where nothing is left to offer", examples=[617]
    )


class CountParameters(Chosen, Parameters):
    """Which refused messages are counted."""


class RefusedParameters(Chosen, ListParameters):
    """Which refused messages are given: fewer at once, as each holds up to 256 KiB."""

    limit: int = Field(default=50, ge=1, le=100, description="At most so many rows", examples=[50])


def _answer(row: Listed[RefusedRow]) -> RefusedAnswer:
    refused = row.row
    return RefusedAnswer(
        id=row.id,
        cell=row.cell,
        origin=refused.origin,
        arrived=rfc3339(refused.arrived_us),
        index=refused.at_index,
        reason=refused.reason,
        detail=refused.detail,
        text=refused.body.decode("utf-8", "replace"),
        size=refused.size,
    )


@router.get("/v1/refused", responses=described("busy"))
async def get_refused(service: ServiceOf, page: Annotated[RefusedParameters, Query()]) -> RefusedPage:
    """Messages that were refused, in the order in which they came."""
    which = RefusedFilter(page.cell, page.reason, after_id=page.after)
    async with service.store.reading() as reading:
        rows, following = page.cut(await reading.refused(which, page.limit + 1))
    return RefusedPage(refused=[_answer(row) for row in rows], next=following)


@router.get("/v1/refused/counts", responses=described("busy"))
async def get_refused_counts(
    service: ServiceOf, parameters: Annotated[CountParameters, Query()]
) -> RefusedCountsAnswer:
    """How many refused messages there are by reason, and by cell: of the cells those 100 with the most."""
    which = RefusedFilter(parameters.cell, parameters.reason)
    async with service.store.reading() as reading:
        reasons = await reading.count_refused("reason", which, MAX_CELLS)
        cells = await reading.count_refused("cell", which, MAX_CELLS)
    return RefusedCountsAnswer(
        reasons=[ReasonCount(reason=reason, number=number) for reason, number in reasons],
        cells=[CellCount(cell=cell, number=number) for cell, number in cells],
    )


@_with_body.post(
    "/v1/refused/retry",
    openapi_extra=described_body(RetryBody, EXAMPLE),
    responses=described("body_invalid", "body_too_slow", "body_too_large", "media_type", "busy"),
)
async def post_retry(service: ServiceOf, caller: CallerOf, request: Request) -> RetryAnswer:
    """Offer refused messages again, as if they came now, after their cause is mended: the plant model, or a clock.

    What is taken, or known already, leaves the list; what is refused again stays, with the present reason. A call offers at most
    500 entries, so that nothing waits for it for long: call again with `after` and `upto` as it answers, until `next` is null.
    """
    media_type(request, (JSON,))
    asked = read_object(await read_body(request, MAX_BODY_BYTES), RetryBody, EXAMPLE)
    check_named(caller, "cell", asked.cell)
    turns: Turns = request.app.state.turns["refused"]
    async with turns.turn():  # not before the body is there, which may be slow to come
        retried = await service.retries.offer(service.store, asked.which, asked.limit)
    tally = retried.tally
    return RetryAnswer(
        offered=tally.offered,
        stored=tally.stored,
        duplicate=tally.duplicate,
        refused=tally.refused,
        left_out=tally.left_out,
        upto=retried.upto_id,
        next=retried.next_id,
    )


router.include_router(_with_body)
