"""GET /metrics: what an operator watches, as Prometheus text."""

import asyncio
from contextlib import suppress

from fastapi import APIRouter, FastAPI, Request, Response

from zoneledger.api.access import ServiceOf
from zoneledger.api.aside import Aside
from zoneledger.api.door import door_of
from zoneledger.api.guard import Guarded
from zoneledger.api.metrics import MEDIA_TYPE, MOST_GAPS, Looked, snapshot_of, text_of
from zoneledger.api.problems import described
from zoneledger.api.streams import Streams
from zoneledger.application.presumming import Presumming, count_behind
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import ZoneledgerError

router = APIRouter(tags=["operations"], route_class=Guarded)

#: How often the database is looked into, and how long that may take; a scrape waits no longer for anything.
LOOK_EVERY_S, LOOK_S = 60.0, 2.0

_TEXT = (
    "# HELP zoneledger_messages_stored_total messages stored since the start of this process\n"
    "# TYPE zoneledger_messages_stored_total counter\nzoneledger_messages_stored_total 51200.0\n"
)
_CONTENT = {"text/plain": {"schema": {"type": "string"}, "example": _TEXT}}


class Looks:
    """What the database was last looked into for, and when; a look lasts as long as it takes, whatever becomes of the scrape."""

    def __init__(self) -> None:
        self._last = Looked()
        self._looked_s = -LOOK_EVERY_S
        self._looking: asyncio.Task[None] | None = None

    async def last(self, aside: Aside) -> Looked:
        """Return what was seen at the last look that ended; nothing where the database did not answer then."""
        now_s = asyncio.get_running_loop().time()
        if self._looking is None and now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s, self._looking = now_s, asyncio.create_task(self._look(aside))
        if self._looking is not None:
            await asyncio.wait([self._looking], timeout=LOOK_S)
        return self._last

    async def _look(self, aside: Aside) -> None:
        seen = Looked()
        try:
            with suppress(ZoneledgerError):
                seen = await aside.do(lambda: _look(aside.service))
        finally:
            self._last, self._looking = seen, None


async def _look(service: Service) -> Looked:
    async with service.store.reading() as reading:
        plant = (await service.plants.present(reading)).plant
        cells = [unit.path for unit in plant if unit.level == "cell"]
        gaps = await reading.gaps(cells, 0, MOST_GAPS)
    presumming = Presumming(service.store, service.plants, service.now_us, service.limits)
    room = await service.room()
    return Looked(len(gaps), await count_behind(presumming, DAY_US), room.taken, room.left)


def install(app: FastAPI) -> None:
    """Give an application what remembers the last look into the database."""
    app.state.looks = Looks()


@router.get(
    "/metrics",
    response_class=Response,
    responses={**described(), 200: {"description": "The metrics of this process", "content": _CONTENT}},
)
async def get_metrics(request: Request, service: ServiceOf) -> Response:
    """What this process counts and measures, in Prometheus's text format 0.0.4; each metric is on the page on operations.

    Counters begin at zero with the process. Labels are cells of the plant model, states, results and reasons for a refusal,
    and never a text that was sent.
    """
    streams: Streams = request.app.state.streams
    looks: Looks = request.app.state.looks
    aside: Aside = request.app.state.aside
    ailing, looked = await asyncio.gather(service.wellness.ailing(LOOK_S), looks.last(aside))
    snapshot = snapshot_of(
        service,
        streams_open=streams.open,
        refused_logins=door_of(request).failures,
        ailing={one.name for one in ailing},
        looked=looked,
    )
    # In a thread of its own, as it takes long of many cells: aside it would have to wait for a place.
    return Response(await asyncio.to_thread(text_of, snapshot), media_type=MEDIA_TYPE)
