"""A broker for the demo that needs nothing installed beside it; docs/decisions/0002-embedded-broker.md tells its limits."""

import asyncio
import signal
import socket
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from iotcore import Broker

_START_ATTEMPTS = 3

_CONFIGURATION = """\
id = 0

[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 100

[v5.1]
name = "zoneledger"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 10000
max_payload_size = 1100000
max_inflight_count = 1000
dynamic_filters = true
"""


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[str]:
    """Run an MQTT 5 broker in a child process on a free port of 127.0.0.1; yield its URL, as `mqtt://127.0.0.1:40123`.

    It keeps everything in memory and ends with this context, or with this process. Raises OSError or RuntimeError
    where it does not start.
    """
    with tempfile.TemporaryDirectory(prefix="zoneledger-broker-") as directory:
        broker = await asyncio.to_thread(_start, Path(directory) / "broker.toml")
        try:
            yield f"mqtt://127.0.0.1:{broker.port}"
        finally:
            await asyncio.to_thread(broker.stop)


def _start(configuration: Path) -> Broker:
    # The child inherits the mask: Ctrl-C reaches every process of a terminal, and the broker must outlive its clients.
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        for attempt in range(1, _START_ATTEMPTS + 1):
            configuration.write_text(_CONFIGURATION.format(port=_free_port()))
            try:
                return Broker(config_path=str(configuration)).start()
            except (OSError, RuntimeError):
                if attempt == _START_ATTEMPTS:
                    raise
        raise AssertionError
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])
