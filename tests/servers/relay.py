"""A TCP relay in a thread of its own, between a client and its server: it cuts, resets, holds, swallows, delays and refuses."""

import asyncio
import random
import socket
import struct
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

_RESET = struct.pack("ii", 1, 0)


class _Connection:
    """One client's connection and the one to the server that belongs to it."""

    def __init__(self, near: asyncio.StreamWriter, far: asyncio.StreamWriter) -> None:
        self.sides = (near, far)
        self.swallowing = False
        self.cut_at_answer = False

    def cut(self, *, reset: bool = False) -> None:
        for side in self.sides:
            opened = side.get_extra_info("socket")
            if reset and not side.transport.is_closing() and opened is not None:
                opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
            side.transport.abort()


class Relay:
    """Passes bytes on between a free port of 127.0.0.1 and the server's; `seed` decides where there is a chance.

    Its methods may be called from any thread; each has taken effect when it returns.
    """

    def __init__(self, port: int, *, seed: int = 0) -> None:
        self._target = port
        self._chance = random.Random(seed)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._server: asyncio.Server | None = None
        self._connections: set[_Connection] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._flowing = asyncio.Event()
        self._flowing.set()
        self._delay_s, self._jitter_s = 0.0, 0.0
        self._cut_at: tuple[bytes, bool, float] | None = None
        self.port = 0
        self.cuts = 0
        #: How many connections it has passed on to the server, closed ones too.
        self.accepted = 0

    @property
    def url(self) -> str:
        """The broker's URL as clients of the relay see it."""
        return f"mqtt://127.0.0.1:{self.port}"

    def __enter__(self) -> Self:
        self._thread.start()
        self.accept()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.refuse()
        self.cut()
        asyncio.run_coroutine_threadsafe(self._end_tasks(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    async def __aenter__(self) -> Self:
        return self.__enter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.__exit__(kind, error, trace)

    def accept(self) -> None:
        """Listen, on the same port as before."""

        async def listen() -> None:
            self._server = await asyncio.start_server(self._accept, "127.0.0.1", self.port)
            self.port = self._server.sockets[0].getsockname()[1]

        asyncio.run_coroutine_threadsafe(listen(), self._loop).result(10)

    def refuse(self) -> None:
        """Listen no more: the next connection is refused; those that are open stay."""
        self._do(lambda: self._server.close() if self._server is not None else None)

    def cut(self) -> None:
        """Break every connection that is open now, without a word to either side."""
        self._do(lambda: self._cut_all(reset=False))

    def reset(self) -> None:
        """Break every connection that is open now with a TCP reset."""
        self._do(lambda: self._cut_all(reset=True))

    def half_open(self) -> None:
        """Never pass a byte on again over the connections that are open now, and do not close them; new ones are well."""

        def swallow() -> None:
            for connection in self._connections:
                connection.swallowing = True

        self._do(swallow)

    def pause(self) -> None:
        """Hold all bytes back until `resume`."""
        self._do(self._flowing.clear)

    def resume(self) -> None:
        """Let the bytes go on that were held back."""
        self._do(self._flowing.set)

    def delay(self, each_s: float, jitter_s: float = 0.0) -> None:
        """Pass on what is read together only after this long, give or take the jitter."""
        self._delay_s, self._jitter_s = each_s, jitter_s

    def cut_at(self, pattern: bytes, *, reached: bool, chance: float = 1.0) -> None:
        """Break a connection with this chance where its client sends `pattern`: before the server gets it, or once it answers."""
        self._cut_at = pattern, reached, chance

    def cut_no_more(self) -> None:
        """Take `cut_at` back."""
        self._cut_at = None

    def _do(self, what: Callable[[], object]) -> None:
        async def done() -> None:
            what()

        asyncio.run_coroutine_threadsafe(done(), self._loop).result(10)

    def _cut_all(self, *, reset: bool) -> None:
        for connection in self._connections:
            connection.cut(reset=reset)
        self._connections.clear()

    async def _end_tasks(self) -> None:
        ending = list(self._tasks)
        for task in ending:
            task.cancel()
        await asyncio.gather(*ending, return_exceptions=True)

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        except OSError:
            writer.transport.abort()
            return
        connection = _Connection(writer, far_writer)
        self._connections.add(connection)
        self.accepted += 1
        for source, sink, asking in ((reader, far_writer, True), (far_reader, writer, False)):
            task = asyncio.create_task(self._pass_on(connection, source, sink, asking=asking))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(
        self, connection: _Connection, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, asking: bool
    ) -> None:
        try:
            while data := await source.read(65_536):
                if self._delay_s:
                    await asyncio.sleep(max(0.0, self._delay_s + self._chance.uniform(-1, 1) * self._jitter_s))
                await self._flowing.wait()
                if self._is_cut_at(connection, data, asking):
                    break
                if not connection.swallowing:
                    sink.write(data)
                    await sink.drain()
        except OSError:
            pass
        if not connection.swallowing:
            connection.cut()
            self._connections.discard(connection)

    def _is_cut_at(self, connection: _Connection, data: bytes, asking: bool) -> bool:
        if not asking:
            return connection.cut_at_answer
        if self._cut_at is None or self._cut_at[0] not in data or self._chance.random() >= self._cut_at[2]:
            return False
        self.cuts += 1
        connection.cut_at_answer = self._cut_at[1]
        return not self._cut_at[1]
