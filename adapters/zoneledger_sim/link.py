"""Store and forward: one cell's messages wait here until a sender has them acknowledged."""

import asyncio
import json
import logging
from collections import deque
from collections.abc import Awaitable, Callable

from zoneledger_sim.controller import Message
from zoneledger_sim.ledger_file import LedgerFile
from zoneledger_sim.sender import Sender

log = logging.getLogger(__name__)

#: The contract allows 256 KiB; the rest is left for what a sender wraps around the messages.
PAYLOAD_BYTES = 255 * 1024
PAYLOAD_MESSAGES = 1000
_BUFFER_MESSAGES = 4 * PAYLOAD_MESSAGES
_FIRST_RETRY_S, _LAST_RETRY_S = 0.1, 5.0

Sleep = Callable[[float], Awaitable[object]]
_encode = json.JSONEncoder(separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode


class Link:
    """The link of one cell; what cannot be delivered is offered again, in order, until it can.

    A payload has at most `array` messages. `on_reconnect` is called when a delivery succeeds after a failure.
    """

    def __init__(
        self,
        cell: str,
        sender: Sender,
        ledger: LedgerFile,
        *,
        array: int,
        sleep: Sleep,
        on_reconnect: Callable[[str], None],
    ) -> None:
        if not 1 <= array <= PAYLOAD_MESSAGES:
            raise ValueError(f"a payload has 1 to {PAYLOAD_MESSAGES} messages, not {array}")
        self._cell = cell
        self._sender = sender
        self._ledger = ledger
        self._array = array
        self._sleep = sleep
        self._on_reconnect = on_reconnect
        self._buffer: deque[bytes] = deque()
        self._is_closed = False
        self._changed = asyncio.Event()
        self._has_room = asyncio.Event()
        self._has_room.set()

    async def put(self, message: Message) -> None:
        """Queue a message; wait while too many are queued."""
        await self._has_room.wait()
        self._buffer.append(_encode(message).encode())
        self._changed.set()
        if len(self._buffer) >= _BUFFER_MESSAGES:
            self._has_room.clear()

    def close(self) -> None:
        """Say that no message follows; `forward` ends once all are delivered."""
        self._is_closed = True
        self._changed.set()

    async def forward(self) -> None:
        """Deliver what is queued until the link is closed and empty."""
        while self._buffer or not self._is_closed:
            if self._buffer:
                await self._deliver(self._take())
            else:
                self._changed.clear()
                await self._changed.wait()

    def _take(self) -> list[bytes]:
        taken = [self._buffer.popleft()]
        length = len(taken[0]) + 2
        while self._buffer and len(taken) < self._array and length + len(self._buffer[0]) + 1 <= PAYLOAD_BYTES:
            taken.append(self._buffer.popleft())
            length += len(taken[-1]) + 1
        self._has_room.set()
        return taken

    async def _deliver(self, taken: list[bytes]) -> None:
        number = self._ledger.sent(self._cell, taken)
        payload = taken[0] if len(taken) == 1 else b"[" + b",".join(taken) + b"]"
        retry_s = _FIRST_RETRY_S
        while True:
            try:
                await self._sender.send(self._cell, payload)
                break
            except OSError as error:
                if retry_s == _FIRST_RETRY_S:
                    log.warning(
                        "%s: nobody takes its messages (%s); it keeps them and goes on trying", self._cell, error
                    )
                await self._sleep(retry_s)
                retry_s = min(2 * retry_s, _LAST_RETRY_S)
        self._ledger.acknowledged(number)
        if retry_s > _FIRST_RETRY_S:
            self._on_reconnect(self._cell)
