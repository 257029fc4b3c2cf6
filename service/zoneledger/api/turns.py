"""Answers that cost much take turns, and leave time between them: whatever many ask at once, messages are taken in meanwhile."""

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any, ClassVar, TypeVar

from fastapi import FastAPI, Request, Response
from starlette.requests import ClientDisconnect

from zoneledger.api.aside import Aside, Patience, within
from zoneledger.api.guard import Guarded
from zoneledger.bootstrap import Service

T = TypeVar("T")

#: Who has not had a turn after so long is told to ask again later.
LONGEST_WAIT_S = 30.0
#: After an answer that took longer, nobody waits longer for the next turn than this.
LONGEST_PAUSE_S = 1.0


class Turns:
    """Lets one work at a time, in the order in which they came, and leaves time between: as long as the last took, up to a second."""

    def __init__(self) -> None:
        self._one = asyncio.Lock()

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Wait for one's turn, and have it until the end of the block; raise ApiError `busy` where it does not come."""
        detail = f"Others have asked for so much that it was not your turn for {LONGEST_WAIT_S:g} s."
        async with within(LONGEST_WAIT_S, detail):
            await self._one.acquire()
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        try:
            yield
        finally:
            loop.call_later(min(loop.time() - began_s, LONGEST_PAUSE_S), self._one.release)


async def done_in_turn(
    request: Request, which: str, work: Callable[[Service], Awaitable[T]], patience: Patience | None = None
) -> T:
    """Do a work for a request aside, in turn with others, on the service that it is given; not at all for a client that has gone."""
    turns: Turns = request.app.state.turns[which]
    async with turns.turn():
        if await request.is_disconnected():
            raise ClientDisconnect
        aside: Aside = request.app.state.aside
        return await aside.do(lambda: work(aside.service), patience)


class InTurn(Guarded):
    """A route whose answers are made aside, in turn with those of its tag, and not at all for a client that has gone away by then.

    It is for GET only: what is made aside writes nothing. Answers of one tag that differ much in what they cost may take turns
    of another name.
    """

    patience: ClassVar[Patience | None] = None
    turns_of: ClassVar[str | None] = None

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        answer = super().get_route_handler()

        async def answer_in_turn(request: Request) -> Response:
            def answer_on(service: Service) -> Awaitable[Response]:
                request.state.service = service
                return answer(request)

            return await done_in_turn(request, self.turns_of or str(self.tags[0]), answer_on, self.patience)

        return answer_in_turn


def install(app: FastAPI) -> None:
    """Give an application its turns, by the tag of the routes that take them."""
    made: defaultdict[Any, Turns] = defaultdict(Turns)
    app.state.turns = made
