"""How late the event loop begins what is due: something is due each hundredth of a second, and how late it was begun is counted."""

import asyncio
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import accumulate

#: How often something is due.
EVERY_S = 0.01
#: What is begun later than this was held up by work that should not be in the loop.
TOO_LATE_S = 0.02
#: The last minute is counted in so many pieces of so many seconds.
PIECE_S, PIECES = 5.0, 12
#: A process that stood still for longer is counted as if it had for so long.
LONGEST_S = 60.0
#: How late is counted in steps of a fifth, from 0.1 ms to longer than the longest.
STEPS_S = [0.0001 * 2 ** (step / 4) for step in range(80)]


@dataclass(slots=True)
class Tally:
    """What was due in some time: how much of it was how late, how much too late, the most, and when that was begun at last."""

    steps: list[int] = field(default_factory=lambda: [0] * len(STEPS_S))
    too_late: int = 0
    most_s: float = 0.0
    most_us: int | None = None

    @property
    def due(self) -> int:
        """How often something was due."""
        return sum(self.steps)

    def note(self, late_s: float, now_us: int) -> None:
        """Count what was begun now, and so late."""
        self.steps[bisect_left(STEPS_S, late_s)] += 1
        self.too_late += late_s > TOO_LATE_S
        if late_s > self.most_s or self.most_us is None:
            self.most_s, self.most_us = late_s, now_us

    def share_s(self, share: float) -> float | None:
        """Return how late at most this share of it was, up to a fifth too high; None where nothing was due."""
        due = self.due
        if not due:
            return None
        reached = next(i for i, number in enumerate(accumulate(self.steps)) if number >= share * due)
        return min(STEPS_S[reached], self.most_s)


def together(tallies: Iterable[Tally]) -> Tally:
    """Return the tally of several times."""
    found = Tally()
    for one in tallies:
        found.steps = [a + b for a, b in zip(found.steps, one.steps, strict=True)]
        found.too_late += one.too_late
        if one.most_us is not None and (one.most_s > found.most_s or found.most_us is None):
            found.most_s, found.most_us = one.most_s, one.most_us
    return found


class Lateness:
    """Counts how late the loop in which it runs is: over the last minute, and since it began to.

    A loop that is held up for 1 s begins a hundred things late, the first by 1 s and the last hardly: all of them are counted, so
    that shares are shares of time. Up to 1 ms is the timer's own.
    """

    def __init__(self, now_us: Callable[[], int]) -> None:
        self._now_us = now_us
        self._piece = 0
        self._pieces: deque[Tally] = deque([Tally()], maxlen=PIECES)
        self.since_start = Tally()

    @property
    def last_minute(self) -> Tally:
        """What was due in the last 55 to 60 s."""
        return together(self._pieces)

    async def run(self) -> None:
        """Count until cancelled."""
        loop = asyncio.get_running_loop()
        due_s = loop.time() + EVERY_S
        while True:
            await asyncio.sleep(due_s - loop.time())
            due_s = self.count(due_s, loop.time())

    def count(self, due_s: float, begun_s: float) -> float:
        """Count all that was due from `due_s` up to when it is begun, by the loop's clock; return when the next is due."""
        self._go_on(int(begun_s // PIECE_S))
        late_s, now_us = min(begun_s - due_s, LONGEST_S), self._now_us()
        while late_s >= 0:
            self._pieces[-1].note(late_s, now_us)
            self.since_start.note(late_s, now_us)
            late_s -= EVERY_S
        return begun_s - late_s

    def _go_on(self, piece: int) -> None:
        """Begin the piece of the minute in which the present lies, and those that were passed over."""
        passed, self._piece = min(piece - self._piece, PIECES), piece
        self._pieces.extend(Tally() for _ in range(passed))
