"""An event loop in a thread of its own, where answers that cost much are made: the one that takes messages in is not held up."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from threading import Thread
from typing import NamedTuple, TypeVar

from zoneledger.api.problems import ApiError
from zoneledger.bootstrap import ASIDE_AT_ONCE, Service

log = logging.getLogger(__name__)

T = TypeVar("T")


class Patience(NamedTuple):
    """After how long a work is given up, and what whoever asked for it should do then."""

    longest_s: float
    advice: str

    @property
    def detail(self) -> str:
        """What is told of a work that took longer."""
        return f"This answer took longer than {self.longest_s:g} s and was given up: {self.advice}."


ANSWER = Patience(60.0, "ask for a shorter window")
#: A run is read to its last fastener, and nobody can ask for less of one that was declared.
PROOF = Patience(
    1200.0, "ask again while the service has less to do, or declare a shorter run, or one of a single cell"
)
#: A work that has no place after so long is not begun.
LONGEST_PLACE_S = 30.0
#: How long it is waited for the end of a work that was given up.
END_S = 5.0
#: How long a stop waits for a work that computes: the thread ends with the process in any case.
STOP_S = 5.0


class Aside:
    """Works on the service with connections of its own, one for each work that is done at once; the thread begins with the first."""

    def __init__(self, service: Service) -> None:
        self.service = replace(service, store=service.aside)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: Thread | None = None
        self._places = asyncio.Semaphore(ASIDE_AT_ONCE)

    async def do(self, work: Callable[[], Awaitable[T]], patience: Patience | None = None) -> T:
        """Do a work there and return what it came to; raise ApiError `busy` where that takes too long.

        A work that is given up has ended by then, unless it does not listen.
        """
        patience = patience or ANSWER
        begun = asyncio.run_coroutine_threadsafe(self._do(work, patience), self._running())
        async with within(LONGEST_PLACE_S + patience.longest_s + END_S, patience.detail):
            return await asyncio.wrap_future(begun)

    def _running(self) -> asyncio.AbstractEventLoop:
        if self._loop is None:
            self._loop, self._places = asyncio.new_event_loop(), asyncio.Semaphore(ASIDE_AT_ONCE)
            self._thread = Thread(target=self._loop.run_forever, name="answers", daemon=True)
            self._thread.start()
        return self._loop

    async def _do(self, work: Callable[[], Awaitable[T]], patience: Patience) -> T:
        async with within(LONGEST_PLACE_S, f"{ASIDE_AT_ONCE} answers took all of {LONGEST_PLACE_S:g} s: ask again."):
            await self._places.acquire()
        try:
            async with within(patience.longest_s, patience.detail):
                return await work()
        finally:
            self._places.release()

    async def stop(self) -> None:
        """Cancel what is not done, close the connections and end the thread; leave it alone where it does not listen."""
        if self._loop is None or self._thread is None:
            return
        try:
            async with asyncio.timeout(STOP_S):
                await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(self._end(), self._loop))
        except TimeoutError:
            log.warning("an answer is still being made; the process ends without it")
            return
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._loop = None

    async def _end(self) -> None:
        others = asyncio.all_tasks() - {asyncio.current_task()}
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        await self.service.store.close()


@asynccontextmanager
async def within(longest_s: float, detail: str) -> AsyncIterator[None]:
    """Raise ApiError `busy` where a block takes longer; a TimeoutError of its own is raised as it is."""
    try:
        async with asyncio.timeout(longest_s) as limit:
            yield
    except TimeoutError:
        if not limit.expired():
            raise
        raise ApiError("busy", detail) from None
