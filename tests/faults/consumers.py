"""Consumers of the API that ask much, slowly or wrongly while cells send, and what is held against each answer."""

import asyncio
import json
import math
import random
import socket
import threading
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from tests.faults.bench import Bench

#: An answer that takes longer is none.
LONGEST_S = 120.0
#: How often somebody who waits looks whether it is enough.
STEP_S = 0.1
#: Of answers, and of the pages and what they are made of.
MEDIA_TYPES = (
    "application/json",
    "application/problem+json",
    "application/yaml",
    "text/html",
    "text/css",
    "text/javascript",
)
#: Why a 503 may be.
TOLD = ("busy", "store_unavailable")
#: What the server itself says to what is no HTTP, before the service sees it.
NO_HTTP = b"Invalid HTTP request received."


@dataclass(frozen=True)
class Answer:
    """An answer as it came over the connection."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    def wrong(self) -> str | None:
        """Return what is wrong with it: a failure of the service, or no media type of its own; None for a right one."""
        shown = f"{self.status} {dict(self.headers)} {self.body[:300]!r}"
        if self.status == 503:
            is_told = self.headers.get("retry-after", "").isdigit() and json.loads(self.body)["code"] in TOLD
            return None if is_told else shown
        kind = self.headers.get("content-type", "").partition(";")[0]
        is_right = kind in MEDIA_TYPES or (self.status == 400 and self.body == NO_HTTP)
        return None if self.status < 500 and is_right else shown


def request_of(method: str, target: str, body: bytes = b"", **headers: str) -> bytes:
    """Return a request's bytes, whatever it holds; a byte that no header may have is one of Latin-1."""
    lines = [f"{method} {target} HTTP/1.1", "host: 127.0.0.1", "connection: close", f"content-length: {len(body)}"]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return "\r\n".join(lines).encode("latin-1", "replace") + b"\r\n\r\n" + body


def answer_of(received: bytes) -> Answer:
    """Return the answer that a connection gave; raises ValueError where there is none."""
    head, _, body = received.partition(b"\r\n\r\n")
    status, *lines = head.decode("latin-1").split("\r\n")
    headers = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    return Answer(int(status.split()[1]), headers, body)


@dataclass(frozen=True)
class Consumer:
    """One of a crowd: its chances, whom it tells of answers, and when it has been at it for long enough."""

    bench: Bench
    rng: random.Random
    enough: threading.Event
    tell: Callable[[Answer], None]

    async def pause(self, seconds: float) -> None:
        """Wait so long, or until it is enough."""
        for _ in range(math.ceil(seconds / STEP_S)):
            if self.enough.is_set():
                return
            await asyncio.sleep(min(STEP_S, seconds))

    @asynccontextmanager
    async def connected(self, buffer_bytes: int | None = None) -> AsyncIterator[Any]:
        """Yield a reader and a writer of a connection, which is cut off in the end, read to its end or not."""
        connection = socket.socket()
        connection.setblocking(False)
        if buffer_bytes is not None:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
        try:
            await asyncio.get_running_loop().sock_connect(connection, ("127.0.0.1", self.bench.service.port))
            reader, writer = await asyncio.open_connection(sock=connection, limit=buffer_bytes or 2**16)
        except BaseException:
            connection.close()
            raise
        try:
            yield reader, writer
        finally:
            writer.transport.abort()

    async def ask(self, method: str, target: str, body: bytes = b"", **headers: str) -> Answer:
        """Ask one thing, and tell of the answer."""
        return await self.send(request_of(method, target, body, **headers))

    async def send(self, request: bytes) -> Answer:
        """Send a request's bytes, and tell of the answer."""
        async with self.connected() as (reader, writer):
            writer.write(request)
            return await self.hear(reader)

    async def hear(self, reader: asyncio.StreamReader) -> Answer:
        """Read an answer to its end, and tell of it."""
        answer = answer_of(await asyncio.wait_for(reader.read(-1), LONGEST_S))
        self.tell(answer)
        return answer


Act = Callable[[Consumer], Awaitable[object]]
"""Does one thing; a crowd does it again and again."""


@dataclass
class Crowd:
    """`number` consumers at once, in a thread of their own while the context lasts; its end raises where an answer was wrong.

    `answers` counts them by status.
    """

    bench: Bench
    number: int
    act: Act
    answers: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    enough: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()))
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.enough.set()
        self._thread.join(2 * LONGEST_S)
        if kind is None:
            assert not self._thread.is_alive(), "a consumer still waits for an answer"
            assert self.wrong == [], f"seed {self.bench.seed}: {self.wrong[:5]}"

    def _tell(self, answer: Answer) -> None:
        self.answers[answer.status] += 1
        if wrong := answer.wrong():
            self.wrong.append(wrong)

    async def _run(self) -> None:
        seeds = range(self.bench.seed * 1000, self.bench.seed * 1000 + self.number)
        crowd = [Consumer(self.bench, random.Random(seed), self.enough, self._tell) for seed in seeds]
        await asyncio.gather(*map(self._go_on, crowd))

    async def _go_on(self, consumer: Consumer) -> None:
        while not self.enough.is_set():
            try:
                await self.act(consumer)
            except (OSError, ValueError, TimeoutError) as error:
                self.wrong.append(f"no answer: {error!r}")
                return
