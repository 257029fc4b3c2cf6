"""A client that publishes over MQTT 3.1.1 with QoS 1 and does as little as it can: packets are put together by hand."""

import asyncio

_ACKNOWLEDGED = b"\x40\x02"


class Publisher:
    """One connection to a broker that publishes with QoS 1 and counts what is acknowledged."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._sent = 0
        self.acknowledged = 0
        self._all = asyncio.Event()
        self._all.set()
        self._counting = asyncio.ensure_future(self._count())

    @classmethod
    async def open(cls, port: int, client_id: str) -> "Publisher":
        """Connect to a broker on this machine that lets everybody in."""
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        told = b"\x00\x04MQTT\x04\x02\x00\x00" + len(client_id).to_bytes(2, "big") + client_id.encode()
        writer.write(b"\x10" + bytes([len(told)]) + told)
        if (await reader.readexactly(4)) != b"\x20\x02\x00\x00":
            raise RuntimeError("the broker does not let the cells in")
        return cls(reader, writer)

    def publish(self, topic: bytes, payload: bytes) -> None:
        """Write a message; it is on its way at the next `drain`."""
        self._all.clear()
        self._sent += 1
        number = (self._sent - 1) % 65_535 + 1
        body = len(topic).to_bytes(2, "big") + topic + number.to_bytes(2, "big") + payload
        self._writer.write(b"\x32" + _length(len(body)) + body)

    async def drain(self) -> None:
        """Wait where the broker does not read as fast as this writes."""
        await self._writer.drain()

    async def _count(self) -> None:
        while True:
            packet = await self._reader.readexactly(4)
            if packet[:2] != _ACKNOWLEDGED:
                raise RuntimeError(f"the broker sent {packet!r}")
            self.acknowledged += 1
            if self.acknowledged == self._sent:
                self._all.set()

    async def until_acknowledged(self) -> None:
        """Wait until the broker has acknowledged all; raises what broke the connection."""
        waiting = asyncio.ensure_future(self._all.wait())
        await asyncio.wait([waiting, self._counting], return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
        if self._counting.done():
            self._counting.result()

    async def close(self) -> None:
        """Leave."""
        self._counting.cancel()
        self._writer.write(b"\xe0\x00")
        await self._writer.drain()
        self._writer.close()


def _length(number: int) -> bytes:
    """Return a remaining length: MQTT 3.1.1, section 2.2.3."""
    found = bytearray()
    while True:
        number, low = divmod(number, 128)
        found.append(low | 0x80 if number else low)
        if not number:
            return bytes(found)
