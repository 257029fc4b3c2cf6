"""The one place that reaches through aiomqtt to paho's client: messages are taken from it and acknowledged by hand.

aiomqtt acknowledges a message when it enters its queue in memory, which loses it when the process dies. Only paho can
leave that to the caller. `aiomqtt==2.5.*` and `paho-mqtt>=2.2,<3` are pinned for these lines, and a contract test
holds them.
"""

import contextlib
import socket
from collections.abc import Callable
from typing import Any, NamedTuple

from aiomqtt import Client
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.client import MQTTMessage


class Received(NamedTuple):
    """A message as the broker sent it; `number` is its packet id on this connection, 0 at QoS 0."""

    number: int
    topic: str
    payload: bytes


class Acknowledging:
    """The incoming side of one connection: hands each message to `on_received`, acknowledges only what it is told to.

    It belongs to one client and one connection: packet ids are used again on the next one, where they would
    acknowledge other messages. After `close` nothing is acknowledged and nothing handed on.
    """

    def __init__(self, client: Client, on_received: Callable[[Received], None]) -> None:
        self._client = client
        self._paho: PahoClient = client._client
        self._on_received = on_received
        self._open = True
        self._paho.manual_ack_set(True)
        self._paho.on_message = self._take

    def acknowledge(self, number: int) -> bool:
        """Tell the broker that a message is safe; False where the connection it came on is gone."""
        if not self._open:
            return False
        if number:
            self._paho.ack(number, 1)
        return True

    def close(self) -> None:
        """Take and acknowledge nothing more, and leave no socket behind, however the connection ended."""
        self._open = False
        leave(self._client)

    def _take(self, _client: PahoClient, _userdata: Any, message: MQTTMessage) -> None:
        if self._open:
            self._on_received(Received(message.mid, _topic_of(message), bytes(message.payload)))


def _topic_of(message: MQTTMessage) -> str:
    try:
        return message.topic
    except UnicodeDecodeError:
        return message._topic.decode("utf-8", "backslashreplace")


def leave(client: Client) -> None:
    """Give a client up, connected or not, so that its socket is closed."""
    client._client.disconnect()


def cut(client: Client) -> None:
    """Break a connection without a word, as a controller that loses power: the broker then sends its last will."""
    connected = client._client.socket()
    if isinstance(connected, socket.socket):
        with contextlib.suppress(OSError):
            connected.shutdown(socket.SHUT_RDWR)
