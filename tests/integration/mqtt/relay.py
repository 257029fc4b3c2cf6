"""A TCP relay between a client and its broker that can break, hold and refuse connections."""

import asyncio
import contextlib
from types import TracebackType
from typing import Self


class Relay:
    """Listens on a free port of 127.0.0.1 and passes bytes on to another; `url` is the broker's as clients see it."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        assert self._server is not None
        return f"mqtt://127.0.0.1:{self._server.sockets[0].getsockname()[1]}"

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def cut(self) -> None:
        """Break every connection that is open now, without a word to either side."""
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._port)
        except OSError:
            writer.transport.abort()
            return
        self._writers.add(far_writer)
        for source, sink in ((reader, far_writer), (far_reader, writer)):
            task = asyncio.create_task(self._pass_on(source, sink))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65_536):
                sink.write(data)
                await sink.drain()
        sink.transport.abort()
        self._writers.discard(sink)
