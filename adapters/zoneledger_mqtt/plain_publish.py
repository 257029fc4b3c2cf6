"""Reads plain PUBLISH packets (MQTT 5 and 3.1.1, section 3.3) quickly: nearly all that comes; paho reads the others."""

from struct import unpack_from
from typing import NamedTuple

#: The first byte of a PUBLISH at QoS 1, but for the flags DUP and RETAIN, which we do not ask for.
_PUBLISH_AT_QOS_1, _WITHOUT_FLAGS = 0x32, 0xF6


class Received(NamedTuple):
    """A message as the broker sent it; `number` is its packet id on this connection, 0 at QoS 0."""

    number: int
    topic: str
    payload: bytes


def topic_of(encoded: bytes) -> str:
    """Return a topic as a text, whatever its bytes are."""
    return encoded.decode("utf-8", "backslashreplace")


def read_publish(ahead: bytes, first: int, *, properties: bool) -> tuple[Received, int] | None:
    """Return the message of the packet that begins at `first`, and where the packet ends.

    None where it is not here as a whole, or is not a PUBLISH at QoS 1 with a topic and without properties; `properties` tells
    whether the connection's version of MQTT has any.
    """
    if first + 5 > len(ahead) or ahead[first] & _WITHOUT_FLAGS != _PUBLISH_AT_QOS_1:
        return None
    length, start = 0, first + 1
    for shift in (0, 7, 14, 21):
        length |= (ahead[start] & 0x7F) << shift
        start += 1
        if ahead[start - 1] < 0x80:
            break
    else:
        return None
    end = start + length
    if length < 5 + properties or end > len(ahead):
        return None
    topic_end = start + 2 + unpack_from("!H", ahead, start)[0]
    payload_start = topic_end + 2 + properties
    if topic_end == start + 2 or payload_start > end or (properties and ahead[payload_start - 1]):
        return None
    number = unpack_from("!H", ahead, topic_end)[0]
    return Received(number, topic_of(ahead[start + 2 : topic_end]), ahead[payload_start:end]), end
