"""The messages of one connection between their receipt and their acknowledgement."""

import asyncio
import logging
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

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
    """A message between receipt and acknowledgement; `place` is its place in the order of receipt, `number` its packet id."""

    place: int
    number: int
    delivery: Delivery
    kept: bool = False
    failures: int = 0


class Window:
    """Hands deliveries to the intake, many at once, and acknowledges each once it and all received before it are kept.

    Deliveries are handed in in the order of receipt. Those for which the store did not answer are held back, with all
    that come after them, and handed in again in that order after a pause. Nothing is given up while the connection
    lasts, and the broker keeps what is not acknowledged.
    """

    def __init__(self, intake: Intake, acknowledge: Callable[[int], None], backoff: Backoff) -> None:
        self._intake = intake
        self._acknowledge = acknowledge
        self._backoff = backoff
        self._received = 0
        self._pending: deque[_Pending] = deque()
        self._held: list[_Pending] = []
        self._release: asyncio.TimerHandle | None = None
        self._answers: set[asyncio.Future[Receipt]] = set()
        self._closing = False

    def __len__(self) -> int:
        """The number of messages received and not acknowledged."""
        return len(self._pending)

    def take(self, number: int, delivery: Delivery) -> None:
        """Begin to record a delivery that came as packet `number`; once closed, leave it to the broker."""
        if self._closing:
            return
        self._received += 1
        pending = _Pending(self._received, number, delivery)
        self._pending.append(pending)
        if self._release is None:
            self._start(pending)
        else:
            self._held.append(pending)

    async def close(self, longest_s: float | None = None) -> None:
        """Repeat nothing any more, and wait until the intake has answered what it was given, at most `longest_s`."""
        self._closing = True
        if self._release is not None:
            self._release.cancel()
        try:
            if self._answers:
                await asyncio.wait(self._answers, timeout=longest_s)
        finally:
            for answer in self._answers:
                answer.cancel()

    def _start(self, pending: _Pending) -> None:
        if self._closing:
            return
        answer = asyncio.ensure_future(self._intake.record(pending.delivery))
        self._answers.add(answer)
        answer.add_done_callback(partial(self._take_answer, pending))

    def _take_answer(self, pending: _Pending, answer: "asyncio.Future[Receipt]") -> None:
        self._answers.discard(answer)
        if answer.cancelled():
            return
        error = answer.exception()
        if error is None:
            self._backoff.reset()
            pending.kept = True
            self._acknowledge_kept()
        elif isinstance(error, StoreUnavailable):
            self._hold(pending, error)
        elif not self._closing:
            pause_s = Backoff(self._backoff.first_s, self._backoff.longest_s, pending.failures).next_s()
            pending.failures += 1
            log.error(
                "a delivery of %s failed; it is tried again in %g s", pending.delivery.cell, pause_s, exc_info=error
            )
            asyncio.get_running_loop().call_later(pause_s, self._start, pending)

    def _acknowledge_kept(self) -> None:
        """Acknowledge in the order of receipt, as MQTT 5 asks in section 4.6."""
        while self._pending and self._pending[0].kept:
            self._acknowledge(self._pending.popleft().number)

    def _hold(self, pending: _Pending, error: StoreUnavailable) -> None:
        self._held.append(pending)
        if self._release is None and not self._closing:
            pause_s = self._backoff.next_s()
            log.warning("the store does not answer (%s); %d messages wait, next try in %g s", error, len(self), pause_s)
            self._release = asyncio.get_running_loop().call_later(pause_s, self._hand_in_again)

    def _hand_in_again(self) -> None:
        self._release = None
        held, self._held = sorted(self._held, key=lambda one: one.place), []
        for pending in held:
            self._start(pending)
