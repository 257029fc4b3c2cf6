"""How to reach a broker: its URL taken apart, aiomqtt clients made from it, and the version of MQTT that both speak."""

import asyncio
import logging
import ssl
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from typing import Any, NamedTuple
from urllib.parse import unquote, urlsplit

from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion

from zoneledger_mqtt.inner_client import leave
from zoneledger_mqtt.window import Backoff

log = logging.getLogger(__name__)

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_SHAPE = "a broker URL should be mqtt://[user:password@]host[:port] or mqtts://..."

#: CONNACK's reason code in MQTT 5, section 3.2.2.2; paho gives that of 3.1.1 the same number.
UNSUPPORTED_PROTOCOL_VERSION = 0x84

#: How long the broker may take to answer a CONNECT.
ANSWER_S = 8.0
#: How long one request to the broker may take.
REQUEST_S = 10.0
#: After this much silence the broker is asked for a sign of life; after twice as much the connection counts as lost.
KEEPALIVE_S = 15


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where a broker listens and how to log in there."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    def client(self, identifier: str | None, protocol: ProtocolVersion, **options: Any) -> Client:
        """Return a new, unconnected aiomqtt client; `options` are its own."""
        return Client(
            self.host,
            self.port,
            username=self.username,
            password=self.password,
            identifier=identifier,
            protocol=protocol,
            timeout=REQUEST_S,
            keepalive=KEEPALIVE_S,
            tls_context=ssl.create_default_context() if self.tls else None,
            **options,
        )


def parse_broker_url(url: str) -> BrokerAddress:
    """Take a broker URL apart; raise ValueError that says what would be right, without its password."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"{_SHAPE} ({error})") from None
    if parts.scheme not in _PORTS:
        raise ValueError(f"{_SHAPE}, not {parts.scheme or 'without a scheme'}")
    if not parts.hostname:
        raise ValueError(f"{_SHAPE}: the host is missing")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError(f"{_SHAPE}: nothing may follow the port")
    return BrokerAddress(
        host=parts.hostname,
        port=port or _PORTS[parts.scheme],
        username=unquote(parts.username) if parts.username else None,
        password=unquote(parts.password) if parts.password else None,
        tls=parts.scheme == "mqtts",
    )


class Connected(NamedTuple):
    """A client that is connected, and the version of MQTT it speaks."""

    client: Client
    protocol: ProtocolVersion


async def connect(stack: AsyncExitStack, make_client: Callable[[ProtocolVersion], Client]) -> Connected:
    """Connect a new client for as long as `stack` is open, with MQTT 5, or 3.1.1 where the broker offers no more.

    Some brokers say so, others do not answer at all. Raises MqttError where no connection comes about.
    """
    for protocol in (ProtocolVersion.V5, ProtocolVersion.V311):
        client = make_client(protocol)
        try:
            async with asyncio.timeout(ANSWER_S):
                return Connected(await stack.enter_async_context(client), protocol)
        except TimeoutError:
            leave(client)
        except MqttCodeError as error:
            if error.rc != UNSUPPORTED_PROTOCOL_VERSION:
                raise
    raise MqttError(f"no answer to MQTT 5 or 3.1.1 within {ANSWER_S:g} s each")


async def keep_connecting(serve_once: Callable[[], Awaitable[None]], backoff: Backoff, what: str) -> None:
    """Serve one connection after the other, with pauses; end only by cancellation. `what` names it in the log."""
    while True:
        stop_if_cancelled()
        try:
            await serve_once()
        except MqttError as error:
            log.warning("%s: %s", what, error)
        except Exception:
            log.exception("%s: the connection failed", what)
        stop_if_cancelled()
        await asyncio.sleep(backoff.next_s())


def stop_if_cancelled() -> None:
    """Heed a cancellation that came while aiomqtt waited: `asyncio.wait_for` of Python 3.11 may swallow it."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
