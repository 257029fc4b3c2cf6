"""The quick reading of PUBLISH packets gives what paho does of them, or leaves them to paho."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt._packet import decode_publish
from paho.mqtt.enums import MQTTProtocolVersion

from zoneledger_mqtt.plain_publish import Received, read_publish, topic_of

BEFORE = b"\x40\x02\x00\x07"


def _length(number: int) -> bytes:
    """Return a length as MQTT writes it (section 1.5.5)."""
    low, high = number & 0x7F, number >> 7
    return bytes([low]) if not high else bytes([low | 0x80]) + _length(high)


def _packet(topic: bytes, number: int, properties: bytes, payload: bytes, first: int = 0x32) -> bytes:
    body = len(topic).to_bytes(2) + topic + number.to_bytes(2) + properties + payload
    return bytes([first]) + _length(len(body)) + body


def _by_paho(packet: bytes, version: MQTTProtocolVersion) -> Received:
    start = next(place for place in range(1, 5) if packet[place] < 0x80) + 1
    decoded: Any = decode_publish(packet[0], packet[start:], version)
    return Received(decoded.mid, topic_of(decoded.topic), decoded.payload)


@given(
    topic=st.binary(min_size=1, max_size=200),
    number=st.integers(1, 65_535),
    payload=st.one_of(st.binary(max_size=200), st.sampled_from([16_300, 20_000, 2_100_000]).map(bytes)),
    first=st.sampled_from([0x32, 0x33, 0x3A, 0x3B]),
    after=st.binary(max_size=9),
    is_5=st.booleans(),
)
def test_a_plain_packet_is_read_as_paho_reads_it(
    topic: bytes, number: int, payload: bytes, first: int, after: bytes, is_5: bool
) -> None:
    packet = _packet(topic, number, b"\0" if is_5 else b"", payload, first)
    version = MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311
    read = read_publish(BEFORE + packet + after, len(BEFORE), properties=is_5)
    assert read == (_by_paho(packet, version), len(BEFORE) + len(packet))


@given(data=st.data())
def test_a_packet_that_is_not_here_as_a_whole_is_left(data: st.DataObject) -> None:
    packet = _packet(b"a/topic", 3, b"\0", b"payload" * 40)
    assert read_publish(packet[: data.draw(st.integers(0, len(packet) - 1))], 0, properties=True) is None


@pytest.mark.parametrize(
    "packet",
    [
        _packet(b"a", 3, b"", b"at QoS 0", 0x30),
        _packet(b"a", 3, b"\0", b"at QoS 2", 0x34),
        _packet(b"a", 3, b"\0", b"at no QoS", 0x36),
        _packet(b"", 3, b"\x03\x23\0\x01", b"a topic by its alias"),
        _packet(b"a", 3, b"\x02\x01\x01", b"a property"),
        b"\x40\x02\0\x03",
        b"\xd0\0",
        b"\x32\xff\xff\xff\xff\x7f" + b"no length" * 9,
        b"\x32\x04\0\x01a\0\x03\0",
        b"\x32\x06\0\x09a\0\x03\0",
        b"\x32\x05\0\x01a\0\x03",
    ],
)
def test_what_is_not_plain_is_left_to_paho(packet: bytes) -> None:
    assert read_publish(packet, 0, properties=True) is None


@given(st.binary(max_size=40), st.booleans())
def test_whatever_comes_is_read_or_left(packet: bytes, is_5: bool) -> None:
    read = read_publish(b"\x32" + packet, 0, properties=is_5)
    assert read is None or read[1] <= 1 + len(packet)
