"""The messages of one connection between their receipt and their acknowledgement."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from zoneledger.application.intake import Delivery, Intake, Receipt
from zoneledger.core.errors import StoreUnavailable

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Backoff:
    """A pause that doubles with each failure in a row, up to `longest_s`."""

    first_s: float = 0.5
    longest_s: float = 30.0
    failures: int = 0

    def next_s(self) -> float:
        """Count a failure and return how long to wait after it."""
        self.failures += 1
        return min(self.longest_s, self.first_s * 2.0 ** min(self.failures - 1, 20))

    def reset(self) -> None:
        """Begin again with the first pause."""
        self.failures = 0


@dataclass(slots=True)
class _Pending:
    """A message between receipt and acknowledgement; `answer` is the intake's, None while the message is held back."""

    number: int
    delivery: Delivery
    answer: "asyncio.Future[Receipt] | None" = None

    def failure(self) -> BaseException | None:
        """Return why an ended answer is no receipt, None if it is one."""
        assert self.answer is not None
        return asyncio.CancelledError() if self.answer.cancelled() else self.answer.exception()

    def is_to_be_handed_in(self) -> bool:
        """Whether the intake does not have it, or has failed on it."""
        return self.answer is None or (self.answer.done() and self.failure() is not None)


class Window:
    """Hands deliveries to the intake, many at once, and acknowledges each once it and all received before it are kept.

    Only the answer to the oldest one is waited for, as acknowledgements keep the order of receipt (MQTT 5, section 4.6).
    Where the intake fails on it, nothing more is handed in for a pause; then all that it does not have are, in their
    order. Nothing is given up while the connection lasts, and the broker keeps what is not acknowledged.
    """

    def __init__(self, intake: Intake, acknowledge: Callable[[int], None], backoff: Backoff) -> None:
        self._intake = intake
        self._acknowledge = acknowledge
        self._backoff = backoff
        self._pending: deque[_Pending] = deque()
        self._pause: asyncio.TimerHandle | None = None
        self._closing = False
        self._bytes = 0

    @property
    def held_bytes(self) -> int:
        """The bytes of the payloads received and not acknowledged."""
        return self._bytes

    def __len__(self) -> int:
        """The number of messages received and not acknowledged."""
        return len(self._pending)

    def take(self, number: int, delivery: Delivery) -> None:
        """Begin to record a delivery that came as packet `number`; once closed, leave it to the broker."""
        if self._closing:
            return
        pending = _Pending(number, delivery)
        self._pending.append(pending)
        self._bytes += len(delivery.payload)
        if self._pause is None:
            self._hand_in(pending)
            if len(self._pending) == 1:
                self._watch()

    async def close(self, longest_s: float | None = None) -> None:
        """Repeat nothing any more, and wait until the intake has answered what it was given, at most `longest_s`."""
        self._closing = True
        if self._pause is not None:
            self._pause.cancel()
        answers = [one.answer for one in self._pending if one.answer is not None]
        try:
            if answers:
                await asyncio.wait(answers, timeout=longest_s)
            self._acknowledge_kept()
        finally:
            for answer in answers:
                if not answer.cancel() and not answer.cancelled():
                    answer.exception()  # seen, so that nobody is told that it never was

    def _hand_in(self, pending: _Pending) -> None:
        pending.answer = asyncio.ensure_future(self._intake.record(pending.delivery))

    def _watch(self) -> None:
        if self._pending and self._pending[0].answer is not None:
            self._pending[0].answer.add_done_callback(self._on_answer)

    def _on_answer(self, _: "asyncio.Future[Receipt]") -> None:
        failure = self._acknowledge_kept()
        if failure is None:
            self._watch()
        elif not self._closing:
            self._hold_back(failure)

    def _acknowledge_kept(self) -> BaseException | None:
        """Acknowledge up to the first message that is not kept; return why, or None where the intake still works on it."""
        while self._pending:
            oldest = self._pending[0]
            if oldest.answer is None or not oldest.answer.done():
                return None
            failure = oldest.failure()
            if failure is not None:
                return failure
            self._backoff.reset()
            self._bytes -= len(oldest.delivery.payload)
            self._acknowledge(self._pending.popleft().number)
        return None

    def _hold_back(self, failure: BaseException) -> None:
        pause_s = self._backoff.next_s()
        if isinstance(failure, StoreUnavailable):
            log.warning(
                "the store does not answer (%s); %d messages wait, next try in %g s", failure, len(self), pause_s
            )
        else:
            cell, told = self._pending[0].delivery.cell, "a delivery of %s failed; it is tried again in %g s"
            log.error(told, cell, pause_s, exc_info=failure, extra={"cell": cell})
        self._pause = asyncio.get_running_loop().call_later(pause_s, self._go_on)

    def _go_on(self) -> None:
        self._pause = None
        for pending in self._pending:
            if pending.is_to_be_handed_in():
                self._hand_in(pending)
        self._watch()
