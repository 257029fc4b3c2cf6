"""An event loop in a thread of its own, where answers that cost much are made: the one that takes messages in is not held up."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from threading import Thread
from typing import TypeVar

from zoneledger.api.problems import ApiError
from zoneledger.bootstrap import Service

log = logging.getLogger(__name__)

T = TypeVar("T")

#: An answer that takes longer is given up.
LONGEST_ANSWER_S = 60.0
#: How long a stop waits for a work that computes: the thread ends with the process in any case.
STOP_S = 5.0


class Aside:
    """Works on the service with connections of its own; the thread begins with the first work."""

    def __init__(self, service: Service) -> None:
        self.service = replace(service, store=service.aside)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: Thread | None = None

    async def do(self, work: Callable[[], Awaitable[T]]) -> T:
        """Do a work there and return what it came to; raise ApiError `busy` where that takes too long."""
        if self._loop is None:
            self._loop = asyncio.new_event_loop()
            self._thread = Thread(target=self._loop.run_forever, name="answers", daemon=True)
            self._thread.start()
        begun = asyncio.run_coroutine_threadsafe(_await(work), self._loop)
        try:
            async with asyncio.timeout(LONGEST_ANSWER_S) as limit:
                return await asyncio.wrap_future(begun)
        except TimeoutError:
            if not limit.expired():
                raise
            detail = f"This answer took longer than {LONGEST_ANSWER_S:g} s and was given up: ask for a shorter window."
            raise ApiError("busy", detail) from None

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


async def _await(work: Callable[[], Awaitable[T]]) -> T:
    return await work()
