"""How to reach a broker: its URL taken apart, aiomqtt clients made from it, and the version of MQTT that both speak."""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple
from urllib.parse import unquote, urlsplit

from aiomqtt import Client, MqttCodeError, MqttError, ProtocolVersion

from zoneledger_mqtt.credential_files import CredentialsUnfit, Files, Shown
from zoneledger_mqtt.credentials import Credentials
from zoneledger_mqtt.inner_client import HungUp, Opening, leave
from zoneledger_mqtt.tls import refusal
from zoneledger_mqtt.window import Backoff

log = logging.getLogger(__name__)

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_SHAPE = "a broker URL should be mqtt://[user:password@]host[:port] or mqtts://..."

#: No files: with TLS the authorities of the system are believed, and nothing is shown.
NO_FILES = Files()

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
    """Where a broker listens, and how to log in there: with what the URL says, and with files.

    Raises ValueError for files that do not go with the rest.
    """

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    files: Files = NO_FILES
    credentials: Credentials = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "credentials", Credentials(self.files, tls=self.tls))
        if not self.tls and self.files.named().keys() - {"password"}:
            raise ValueError(f"authorities, certificates and keys go with mqtts://, and not with {self}")
        if self.files.password is not None and (self.username is None or self.password is not None):
            raise ValueError("a password file goes with a name, and without a password: mqtts://name@host")

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    def of_cell(self, cell: str) -> "BrokerAddress":
        """Return the address as a cell has it, with the files of its own."""
        return replace(self, files=self.files.of_cell(cell)) if self.files.named() else self

    def client(
        self, identifier: str | None, protocol: ProtocolVersion, shown: Shown | None = None, **options: Any
    ) -> Client:
        """Return a new, unconnected aiomqtt client, which shows what the files hold now or held; `options` are its own."""
        shown = shown or self.credentials.read()
        return Client(
            self.host,
            self.port,
            username=self.username,
            password=shown.password or self.password,
            identifier=identifier,
            protocol=protocol,
            timeout=REQUEST_S,
            keepalive=KEEPALIVE_S,
            tls_context=shown.context,
            **options,
        )

    async def show(self) -> Shown:
        """Return what the files hold, or held when they could last be used; raise MqttError where they never could."""
        try:
            return await asyncio.to_thread(self.credentials.read)
        except CredentialsUnfit as error:
            raise MqttError(str(error)) from None

    def refusal(self, error: BaseException | None) -> str | None:
        """Return in words what TLS did not take, None where an error is not for TLS."""
        ca, certificate = self.files.ca or "this system's list", self.files.certificate
        return refusal(error, self.host, ca=str(ca), certificate=None if certificate is None else str(certificate))


def parse_broker_url(url: str, files: Files = NO_FILES) -> BrokerAddress:
    """Take a broker URL apart; raise ValueError that says what would be right, without its password."""
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:  # its words may hold a part of the password
        raise ValueError(f"{_SHAPE}, with special characters of the password in percent-encoding") from None
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
        files=files,
    )


class Connected(NamedTuple):
    """A client that is connected, the version of MQTT it speaks, and what it has shown."""

    client: Client
    protocol: ProtocolVersion
    shown: Shown


async def connect(
    stack: AsyncExitStack, address: BrokerAddress, make_client: Callable[[ProtocolVersion, Shown], Client]
) -> Connected:
    """Connect a new client for as long as `stack` is open, with MQTT 5, or 3.1.1 where the broker offers no more.

    Some brokers say so, others hang up or do not answer at all. Raises MqttError where no connection comes about, and says why.
    """
    shown = await address.show()
    trouble = f"no answer to MQTT 5 or 3.1.1 within {ANSWER_S:g} s each"
    for protocol in (ProtocolVersion.V5, ProtocolVersion.V311):
        client = make_client(protocol, shown)
        try:
            async with asyncio.timeout(ANSWER_S):
                await _open(stack, address, client)
                return Connected(client, protocol, shown)
        except TimeoutError:
            leave(client)
        except MqttCodeError as error:
            if error.rc != UNSUPPORTED_PROTOCOL_VERSION:
                raise
        except HungUp as error:
            trouble = str(error)
    raise MqttError(trouble)


async def _open(stack: AsyncExitStack, address: BrokerAddress, client: Client) -> None:
    """Connect a client; raise MqttError with the words for what TLS did not take, HungUp where the broker only hung up."""
    if not address.tls:
        await stack.enter_async_context(client)
        return
    opening = Opening(client)
    try:
        await stack.enter_async_context(client)
        address.credentials.broker_ends_us = opening.broker_ends_us
    except MqttError as error:
        why = address.refusal(error.failure if isinstance(error, HungUp) else error.__context__)
        if why is None:
            raise
        raise MqttError(why) from None
    finally:
        opening.over()


def _nobody(_: str) -> None:
    """Tell nobody why a connection ended."""


async def keep_connecting(
    serve_once: Callable[[], Awaitable[None]], backoff: Backoff, what: str, ended: Callable[[str], None] = _nobody
) -> None:
    """Serve one connection after the other, with pauses, but for one that ended by itself to be renewed; end only by cancellation.

    `what` names it in the log, and `ended` is told why each one ended.
    """
    while True:
        stop_if_cancelled()
        try:
            await serve_once()
        except MqttError as error:
            log.warning("%s: %s", what, error)
            ended(str(error))
        except Exception:
            log.exception("%s: the connection failed", what)
            ended("the connection failed, and the log says why")
        else:
            backoff.reset()
            log.info("%s: the files have changed, and a new connection shows what they hold now", what)
            continue
        stop_if_cancelled()
        await asyncio.sleep(backoff.next_s())


def stop_if_cancelled() -> None:
    """Heed a cancellation that came while aiomqtt waited: `asyncio.wait_for` of Python 3.11 may swallow it."""
    task = asyncio.current_task()
    if task is not None and task.cancelling():
        raise asyncio.CancelledError
