"""GET /metrics: what an operator watches, as Prometheus text."""

import asyncio
from contextlib import suppress

from fastapi import APIRouter, FastAPI, Request, Response

from zoneledger.api.access import ServiceOf
from zoneledger.api.aside import Aside
from zoneledger.api.metrics import MEDIA_TYPE, MOST_GAPS, Looked, snapshot_of, text_of
from zoneledger.api.problems import described
from zoneledger.api.streams import Streams
from zoneledger.application.presumming import Presumming, count_behind
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import ZoneledgerError

router = APIRouter(tags=["operations"])

#: How often the database is looked into, and how long that may take; a scrape waits no longer for anything.
LOOK_EVERY_S, LOOK_S = 60.0, 2.0

_TEXT = (
    "# HELP zoneledger_messages_stored_total messages stored since the start of this process\n"
    "# TYPE zoneledger_messages_stored_total counter\nzoneledger_messages_stored_total 51200.0\n"
)
_CONTENT = {"text/plain": {"schema": {"type": "string"}, "example": _TEXT}}


class Looks:
    """What the database was last looked into for, and when."""

    def __init__(self) -> None:
        self._last = Looked()
        self._looked_s: float | None = None
        self._one = asyncio.Lock()

    async def last(self, aside: Aside) -> Looked:
        """Return what was seen at most a minute ago; nothing where the database does not answer soon."""
        async with self._one:
            now_s = asyncio.get_running_loop().time()
            if self._looked_s is None or now_s - self._looked_s >= LOOK_EVERY_S:
                self._looked_s, self._last = now_s, Looked()
                with suppress(ZoneledgerError, TimeoutError):
                    async with asyncio.timeout(LOOK_S):
                        self._last = await aside.do(lambda: _look(aside.service))
            return self._last


async def _look(service: Service) -> Looked:
    async with service.store.reading() as reading:
        plant = (await service.plants.present(reading)).plant
        cells = [unit.path for unit in plant if unit.level == "cell"]
        gaps = await reading.gaps(cells, 0, MOST_GAPS)
    presumming = Presumming(service.store, service.plants, service.now_us, service.limits)
    return Looked(len(gaps), await count_behind(presumming, DAY_US))


async def _database_answers(service: Service) -> bool:
    try:
        async with asyncio.timeout(LOOK_S):
            return await service.checks["database"]()
    except (ZoneledgerError, TimeoutError):
        return False


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
    database_up, looked = await asyncio.gather(_database_answers(service), looks.last(aside))
    snapshot = snapshot_of(service, streams_open=streams.open, database_up=database_up, looked=looked)
    # In a thread of its own, as it takes long of many cells: aside it would have to wait for a place.
    return Response(await asyncio.to_thread(text_of, snapshot), media_type=MEDIA_TYPE)
