"""The server that answers for an application, and the port that it listens on."""

import asyncio
import errno
import os
import socket
from collections.abc import Sequence

import uvicorn
from fastapi import FastAPI

from zoneledger.api.streams import Streams
from zoneledger.settings import setting

#: How long a stop waits for answers that are on their way: a client that reads nothing would hold it up for good.
STOP_S = 5


class _Server(uvicorn.Server):
    """A server that ends the live streams when it is told to end: it waits for all connections, and these last."""

    def __init__(self, app: FastAPI, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._streams: Streams = app.state.streams

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._streams.end()
        await super().shutdown(sockets)


def server_of(app: FastAPI, host: str, port: int, log_level: str, proxies: Sequence[str] = ()) -> uvicorn.Server:
    """Return what serves an application, not started yet; only these proxies are believed for whom they pass a request on."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        log_level=log_level,
        log_config=None,  # its own would show the words of any exception
        access_log=False,
        server_header=False,
        ws="none",
        proxy_headers=bool(proxies),
        forwarded_allow_ips=list(proxies),
        timeout_graceful_shutdown=STOP_S,
    )
    return _Server(app, config)


async def check_port(host: str, port: int) -> None:
    """Raise OSError, with one sentence, where nothing can listen there: the server itself looks after the database is migrated."""
    try:
        # As the server does it, but that nobody is let in.
        probe = await asyncio.get_running_loop().create_server(asyncio.Protocol, host, port, start_serving=False)
        probe.close()
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            wanted = f"end the one that listens there, or name another by --port or {setting('port')}"
            raise OSError(f"port {port} of {host} is taken by another program: {wanted}") from None
        why = error.strerror if isinstance(error, socket.gaierror) else os.strerror(error.errno or 0)
        raise OSError(f"nothing can listen on port {port} of {host}: {why}") from None


def free_port(host: str, wanted: int) -> int:
    """Return `wanted` if nothing listens there, else a port that is free."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError(f"no port of {host} is free")
