"""How far a controller's clock is ahead of the service's, as far as messages can tell."""

from typing import NamedTuple

#: An estimate rests on the messages of this period and the one before.
PERIOD_US = 600_000_000


class Offset(NamedTuple):
    """The largest `at` less arrival, in microseconds, among the messages of a period, and of the one before (None: no message).

    A message arrives after it was made, so that each of them tells at least how far the clock is ahead, less the time that
    the message took: the promptest tells most. Below zero the clock is behind, or all messages are late.
    """

    period: int
    largest_us: int
    before_us: int | None

    @property
    def us(self) -> int:
        """The estimate: how far the clock is ahead, in microseconds."""
        return self.largest_us if self.before_us is None else max(self.largest_us, self.before_us)

    def reaches(self, start_us: int) -> bool:
        """Whether it may rest on messages that arrived from an instant on."""
        return start_us < (self.period + 2) * PERIOD_US


def observe(offset: Offset | None, arrived_us: int, ahead_us: int) -> Offset:
    """Return the estimate after a message that arrived at `arrived_us` with a time `ahead_us` later than that."""
    period = arrived_us // PERIOD_US
    if offset is None or not offset.period <= period <= offset.period + 1:
        return Offset(period, ahead_us, None)
    if period == offset.period + 1:
        return Offset(period, ahead_us, offset.largest_us)
    return offset._replace(largest_us=max(offset.largest_us, ahead_us))


def later_of(taken: Offset | None, refused: Offset | None) -> Offset | None:
    """Return the estimate by messages that were taken, or that by refused ones where these came when the other was outdated.

    One refused message tells little: its time may be a slip, and those that are taken tell what the clock is.
    """
    if taken is None or (refused is not None and refused.period > taken.period + 1):
        return refused
    return taken
