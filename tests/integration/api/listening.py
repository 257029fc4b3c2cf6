"""A client of the live stream: it reads one event after the other, as browsers do."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

import httpx

DEADLINE_S = 20.0


class Told(NamedTuple):
    """An event of a live stream."""

    id: str | None
    name: str
    data: dict[str, Any]


class Listener:
    """An open live stream; `last_id` is that of its last event or heartbeat."""

    def __init__(self, answer: httpx.Response) -> None:
        self.answer = answer
        self.last_id: str | None = None
        self._events = self._read()

    async def _read(self) -> AsyncIterator[Told]:
        fields: dict[str, str] = {}
        async for line in self.answer.aiter_lines():
            if line:
                name, _, value = line.partition(":")
                fields[name] = value.removeprefix(" ")
                continue
            self.last_id = fields.get("id", self.last_id)
            if "event" in fields:
                yield Told(fields.get("id"), fields["event"], json.loads(fields["data"]))
            fields = {}

    async def next(self) -> Told:
        """Return the next event; raise TimeoutError or StopAsyncIteration where none comes."""
        async with asyncio.timeout(DEADLINE_S):
            return await anext(self._events)

    async def until(self, name: str, **data: Any) -> Told:
        """Return the first event of a name whose data has these fields, and pass over those before."""
        while True:
            told = await self.next()
            if told.name == name and data.items() <= told.data.items():
                return told

    async def rest(self) -> list[Told]:
        """Return all events up to the end of the stream."""
        async with asyncio.timeout(DEADLINE_S):
            return [told async for told in self._events]


@asynccontextmanager
async def listening(address: str, last_id: str | None = None, **query: str) -> AsyncIterator[Listener]:
    """Open a live stream, and go away at the end of the block."""
    headers = {"last-event-id": last_id} if last_id else {}
    async with (
        httpx.AsyncClient(base_url=address, timeout=DEADLINE_S) as client,
        client.stream("GET", "/v1/live", params=query, headers=headers) as answer,
    ):
        if answer.status_code == 200:
            assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
        else:
            await answer.aread()
        yield Listener(answer)
