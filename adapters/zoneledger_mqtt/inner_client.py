"""The one place that reaches through aiomqtt to paho's client: messages are taken from it and acknowledged by hand.

aiomqtt acknowledges a message when it enters its queue in memory, which loses it when the process dies. Only paho can
leave that to the caller. `aiomqtt==2.5.*` and `paho-mqtt>=2.2,<3` are pinned for these lines, and a contract test
holds them.
"""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import Callable, Iterator
from typing import Any

from aiomqtt import Client, MqttError
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from zoneledger_mqtt.buffered import BufferedSocket
from zoneledger_mqtt.plain_publish import Received, read_publish, topic_of
from zoneledger_mqtt.tls import TellingSocket


class Acknowledging:
    """The incoming side of one connection: hands each message to `on_received`, acknowledges only what it is told to.

    It belongs to one client and one connection: packet ids are used again on the next one, where they would
    acknowledge other messages. After `close` nothing is acknowledged and nothing handed on. Made before the client
    connects, in the event loop that serves it, it also reads and writes for it, many packets at a time.
    """

    def __init__(self, client: Client, on_received: Callable[[Received], None]) -> None:
        self._client = client
        self._paho: PahoClient = client._client
        self._on_received = on_received
        self._loop = asyncio.get_running_loop()
        self._stream: BufferedSocket | None = None
        self._open, self._paused = True, False
        self._paho.manual_ack_set(True)
        self._paho.on_message = self._take
        self._paho.on_socket_open = self._on_socket_open
        self._paho.on_socket_close = self._on_socket_close
        self._paho.on_socket_register_write = self._on_register_write
        self._paho.on_socket_unregister_write = None

    def acknowledge(self, number: int) -> bool:
        """Tell the broker that a message is safe; False where the connection it came on is gone."""
        if not self._open:
            return False
        if number:
            self._paho.ack(number, 1)
        return True

    def pause(self) -> None:
        """Read nothing more, so that the broker has to wait; a pause of twice the keepalive ends the connection."""
        if not self._paused and (stream := self._live()):
            self._paused = True
            self._loop.remove_reader(stream)

    def resume(self) -> None:
        """Read on after a pause."""
        if self._paused:
            self._paused = False
            self._loop.call_soon(self._begin_reading)

    def close(self) -> None:
        """Take and acknowledge nothing more, and leave no socket behind, however the connection ended."""
        self._open = False
        leave(self._client)

    def _take(self, _client: PahoClient, _userdata: Any, message: MQTTMessage) -> None:
        if self._open:
            self._on_received(Received(message.mid, topic_of(message._topic), bytes(message.payload)))

    def _live(self) -> BufferedSocket | None:
        """Return the socket while it is open."""
        return self._stream if self._stream is not None and self._stream.fileno() >= 0 else None

    def _on_socket_open(self, _paho: PahoClient, _userdata: Any, inner: Any) -> None:
        """Put our socket in the place of paho's; called in the thread that connects."""
        inner.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._stream = self._paho._sock = BufferedSocket(inner)
        self._loop.call_soon_threadsafe(self._begin)

    def _on_socket_close(self, paho: PahoClient, userdata: Any, stream: Any) -> None:
        if stream.fileno() >= 0:
            self._loop.remove_writer(stream)
        self._client._on_socket_close(paho, userdata, stream)

    def _on_register_write(self, *_: Any) -> None:
        """Write soon what paho has to write: acknowledgements of one group go out as one."""
        self._loop.call_soon_threadsafe(self._write)

    def _begin(self) -> None:
        self._client._misc_task = self._loop.create_task(self._client._misc_loop())
        self._begin_reading()

    def _begin_reading(self) -> None:
        """Read what was read ahead, and from now on what comes."""
        if not self._paused and (stream := self._live()):
            self._loop.add_reader(stream, self._read)
            self._read()

    def _read(self) -> None:
        """Take the packets that are there: those of one read of the socket, so that others have their turn."""
        with self._failing():
            while not self._paused:
                self._paho.loop_read()
                if (stream := self._live()) is None:
                    break
                self._take_plain(stream)
                if not stream.pending():
                    break

    def _take_plain(self, stream: BufferedSocket) -> None:
        """Take the plain messages that come next and were read ahead; no packet is half with paho."""
        properties = self._paho.protocol == MQTTProtocolVersion.MQTTv5
        while not self._paused and not self._paho._in_packet["command"]:
            plain = read_publish(*stream.ahead(), properties=properties)
            if plain is None:
                return
            received, end = plain
            stream.take_up_to(end)
            if self._open:
                self._on_received(received)

    def _write(self) -> None:
        with self._failing():
            self._paho.loop_write()
            if (stream := self._live()) and not stream.flush():
                self._loop.add_writer(stream, self._write_rest)

    def _write_rest(self) -> None:
        with self._failing():
            if (stream := self._live()) and stream.flush():
                self._loop.remove_writer(stream)

    @contextlib.contextmanager
    def _failing(self) -> Iterator[None]:
        """Let an error, whatever it is, end the connection, as aiomqtt's own reader does."""
        try:
            yield
        except Exception as error:
            # Before there is a connection nobody would ask for it, and the next read ends the attempt.
            if self._client._connected.done() and not self._client._disconnected.done():
                self._client._disconnected.set_exception(error)


class HungUp(MqttError):
    """The broker ended the connection before it answered; `failure` is what TLS says of that, if anything."""

    def __init__(self, failure: ssl.SSLError | None) -> None:
        super().__init__("it hung up before it answered")
        self.failure = failure


class Opening:
    """Watches a client that connects with TLS: raises HungUp there at once, where aiomqtt waits for an answer in vain.

    A broker that does not take our certificate says so after TLS has begun (RFC 8446, section 4.4.2.4), and paho keeps that to itself.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._paho: Any = client._client
        self._loop = asyncio.get_running_loop()
        self._opened: Any = self._paho.on_socket_open
        self._ended: Any = self._paho.on_disconnect
        self._paho.on_socket_open = self._on_socket_open
        self._paho.on_disconnect = self._on_disconnect
        self._socket: TellingSocket | None = None

    @property
    def broker_ends_us(self) -> int | None:
        """When the certificate ends that the broker has shown."""
        certificate = None if self._socket is None else self._socket.getpeercert()
        return ssl.cert_time_to_seconds(str(certificate["notAfter"])) * 1_000_000 if certificate else None

    def over(self) -> None:
        """Watch no more."""
        self._paho.on_disconnect = self._ended

    def _on_socket_open(self, paho: PahoClient, userdata: Any, opened: Any) -> None:
        self._socket = opened
        self._opened(paho, userdata, opened)

    def _on_disconnect(self, *told: Any) -> None:
        """Called in the thread that connects, or in the event loop."""
        self._loop.call_soon_threadsafe(self._fail)
        self._ended(*told)

    def _fail(self) -> None:
        if not self._client._connected.done():
            failure = None if self._socket is None else self._socket.failure
            self._client._connected.set_exception(HungUp(failure if isinstance(failure, ssl.SSLError) else None))


def on_refusal(client: Client, refused: Callable[[str], None]) -> None:
    """Tell in words what the broker refuses of what is published (MQTT 5, section 3.4.2.1): aiomqtt takes any answer for a yes."""
    confirmed: Any = client._client.on_publish

    def on_publish(paho: PahoClient, userdata: Any, number: int, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            refused(str(reason))
        confirmed(paho, userdata, number, reason, properties)

    client._client.on_publish = on_publish


def on_welcome(client: Client, welcomed: Callable[[bool, Any], None]) -> None:
    """Tell whether the broker still had the session when it let us in, and what it promises (MQTT 5, section 3.2.2.3; else None)."""
    connected: Any = client._client.on_connect

    def on_connect(paho: PahoClient, userdata: Any, flags: Any, reason: Any, properties: Any) -> None:
        welcomed(bool(flags.session_present), properties)
        connected(paho, userdata, flags, reason, properties)

    client._client.on_connect = on_connect


def never_acknowledge(client: Client) -> None:
    """Leave all that comes to the broker: it is brought again to whoever listens next."""
    client._client.manual_ack_set(True)


def leave(client: Client) -> None:
    """Give a client up, connected or not, so that its socket is closed."""
    client._client.disconnect()


def cut(client: Client) -> None:
    """Break a connection without a word, as a controller that loses power: the broker then sends its last will."""
    connected: Any = client._client.socket()
    if connected is not None:
        with contextlib.suppress(OSError):
            connected.shutdown(socket.SHUT_RDWR)
