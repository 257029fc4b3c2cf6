"""GET /v1/live: a stream of what changes, as server-sent events."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import Response
from pydantic.json_schema import SkipJsonSchema
from starlette.types import Receive, Scope, Send

from zoneledger.api.access import Parameters, ServiceOf, optional, unit_of
from zoneledger.api.door import LOOK_EVERY_S, door_of
from zoneledger.api.guard import Entrance, Guarded
from zoneledger.api.problems import described
from zoneledger.api.streams import OVER, STOPS, Streams, Units, end_event

router = APIRouter(tags=["live"], route_class=Guarded)

_EXAMPLE = (
    "id: 5f0c1d2e-17\nevent: state\n"
    'data: {"unit":"harbour/wing-1/cell-1/1","state":"fault","reason":"clamp-force","since":"2026-11-25T06:00:00Z"}\n\n'
)
_EVENTS = {"text/event-stream": {"schema": {"type": "string"}, "example": _EXAMPLE}}


class LiveParameters(Parameters):
    """What a stream is to tell of."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only of this unit and what lies under it", "harbour/wing-1", max_length=200
    )


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


class LiveStream(Response):
    """A stream as it is sent, until the client goes away, may have it no more, or the service stops; it takes a place."""

    media_type = "text/event-stream"

    def __init__(
        self, streams: Streams, units: Units, last_event_id: str | None, still: Callable[[], Awaitable[bool]]
    ) -> None:
        # A proxy must not hold it back to send it as a whole.
        super().__init__(headers={"cache-control": "no-store", "x-accel-buffering": "no"})
        del self.headers["content-length"]
        self._streams = streams
        self._units = units
        self._still = still
        self._last_event_id = last_event_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send what there is; raises ApiError before anything is sent where too many streams are open."""
        del scope
        with self._streams.listening() as news:
            gone = asyncio.ensure_future(_until_gone(receive))
            gone.add_done_callback(lambda _: news.set())
            try:
                await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
                await self._send_all(news, gone, send)
            finally:
                gone.cancel()

    async def _send_all(self, news: asyncio.Event, gone: "asyncio.Future[None]", send: Send) -> None:
        text, reached = self._streams.begin(self._last_event_id)
        loop = asyncio.get_running_loop()
        looked_s = loop.time()
        while not gone.done():
            if text:
                await send({"type": "http.response.body", "body": text, "more_body": True})
            elif self._streams.ended:
                await _end(send, STOPS)
                return
            else:
                await news.wait()
                news.clear()
            if loop.time() - looked_s >= LOOK_EVERY_S:  # each heartbeat is an occasion
                looked_s = loop.time()
                if not await self._still():
                    await _end(send, OVER)
                    return
            text, reached = self._streams.after(reached, self._units)


async def _end(send: Send, why: str) -> None:
    await send({"type": "http.response.body", "body": end_event(why), "more_body": False})


@router.get(
    "/v1/live",
    response_class=Response,
    responses={**described("unit_unknown", "busy"), 200: {"description": "The stream", "content": _EVENTS}},
)
async def get_live(
    request: Request,
    service: ServiceOf,
    asked: Annotated[LiveParameters, Query()],
    last_event_id: Annotated[
        str | SkipJsonSchema[None],
        Header(
            alias="Last-Event-ID",
            description="The id of the last event that the client has, to go on after it; browsers send it by themselves",
            examples=["5f0c1d2e-17"],
        ),
    ] = None,
) -> Response:
    """What changes in reach, as server-sent events: `state`, `figures`, `plant`; `anew` where /v1/units is to be read; `end`.

    See the page on the REST API for what each of them has.
    """
    if asked.unit is not None:
        async with service.store.reading() as reading:
            await unit_of(service, reading, asked.unit)
    streams: Streams = request.app.state.streams
    entrance: Entrance = request.state.entrance
    units = ("",) if entrance.caller.units is None else tuple(f"{unit}/" for unit in entrance.caller.units)
    asked_for = (f"{asked.unit}/",) if asked.unit else units
    return LiveStream(streams, asked_for, last_event_id, lambda: door_of(request).still(entrance))
