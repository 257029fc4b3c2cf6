"""A table as it is sent: piece by piece, each made aside and in turn with others, so that neither memory nor messages pay for it."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import contextmanager

from fastapi.responses import Response
from starlette.types import Receive, Scope, Send

from zoneledger.api.aside import Aside
from zoneledger.api.door import LOOK_EVERY_S
from zoneledger.api.problems import ApiError
from zoneledger.api.table_formats import MEDIA_TYPES, Format, writer_of
from zoneledger.api.turns import Turns
from zoneledger.application.tables.columns import Row, Source, Table
from zoneledger.bootstrap import Service
from zoneledger.core.errors import NotAuthenticated, ZoneledgerError

log = logging.getLogger(__name__)

#: So many tables may be sent at once.
AT_ONCE = 4
#: Pages are read in one turn until they took so long, or are so large.
TURN_S, TURN_BYTES = 0.05, 256 * 1024
#: A client that does not take a piece in so long keeps a place from others: its table is broken off.
SLOWEST_S = 60.0

Open = Callable[[Service], Awaitable[Source]]
"""Returns what a table is read from; raises what is wrong with what was asked for."""


class Export:
    """A table in a form; `next` gives it piece by piece, always in the same event loop."""

    def __init__(self, table: Table, form: Format, open_source: Open) -> None:
        self.table = table
        self.form = form
        self._open = open_source
        self._pages: AsyncIterator[list[Row]] | None = None
        self._writer = None if form == "parquet" else writer_of(form, table.columns)
        self.ended = False

    async def next(self, service: Service) -> bytes:
        """Return what of it comes next, after the last rows its end."""
        loop = asyncio.get_running_loop()
        began_s, found, size = loop.time(), list[bytes](), 0
        if self._pages is None:
            self._pages = self.table.read(await self._open(service))
        if self._writer is None:
            self._writer = writer_of(
                self.form, self.table.columns
            )  # takes long the first time: not in the loop that serves
        while not self.ended and size < TURN_BYTES and loop.time() - began_s < TURN_S:
            rows = await anext(self._pages, None)
            self.ended = rows is None
            found.append(self._writer.end() if rows is None else self._writer.rows(rows))
            size += len(found[-1])
        return b"".join(found)


class Sending:
    """Where tables are sent from, so many at once."""

    def __init__(self, aside: Aside, slowest_s: float = SLOWEST_S) -> None:
        self._turns = Turns()
        self._aside = aside
        self._open = 0
        self.slowest_s = slowest_s

    @property
    def open(self) -> int:
        """How many tables are being sent."""
        return self._open

    @contextmanager
    def one(self) -> Iterator[None]:
        """Send a table in the block; raise ApiError `busy` where too many are being sent."""
        if self._open >= AT_ONCE:
            raise ApiError("busy", f"{AT_ONCE} tables are being sent, and no more may be at once: ask again later.")
        self._open += 1
        try:
            yield
        finally:
            self._open -= 1

    async def next(self, export: Export) -> bytes:
        """Return the next piece of a table, in turn with others."""
        async with self._turns.turn():
            return await self._aside.do(lambda: export.next(self._aside.service))


class TableStream(Response):
    """A table as it is sent; what fails in the middle breaks the connection, so that nobody takes a part for the whole."""

    def __init__(self, export: Export, sending: Sending, filename: str, still: Callable[[], Awaitable[bool]]) -> None:
        headers = {"content-disposition": f'attachment; filename="{filename}"', "cache-control": "no-store"}
        super().__init__(headers=headers, media_type=MEDIA_TYPES[export.form])
        del self.headers["content-length"]
        self._export = export
        self._sending = sending
        self._still = still

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it until its end, or until the client goes away; what is wrong before its begin is raised."""
        with self._sending.one():
            piece = await self._sending.next(self._export)
            gone = asyncio.ensure_future(_until_gone(receive))
            try:
                await self._send_all(piece, gone, send)
            except (ZoneledgerError, TimeoutError) as error:
                # Without an end: the server breaks the connection then.
                log.warning("%s is broken off in the middle: %s", scope["path"], str(error) or "it is read too slowly")
            finally:
                gone.cancel()

    async def _send_all(self, piece: bytes, gone: "asyncio.Future[None]", send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
        loop = asyncio.get_running_loop()
        looked_s = loop.time()
        while not gone.done():
            ended = self._export.ended
            if piece or ended:
                async with asyncio.timeout(self._sending.slowest_s):
                    await send({"type": "http.response.body", "body": piece, "more_body": not ended})
            if ended:
                return
            if loop.time() - looked_s >= LOOK_EVERY_S:
                looked_s = loop.time()
                if not await self._still():
                    raise NotAuthenticated("what it was begun with is good no more")
            piece = await self._sending.next(self._export)


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
