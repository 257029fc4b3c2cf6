"""What goes wrong on the way: messages lost, doubled, out of order or late, on request and seeded."""

from collections.abc import Callable, Iterator
from heapq import heappop, heappush
from random import Random

from zoneledger_sim.controller import Outgoing
from zoneledger_sim.durations import to_us
from zoneledger_sim.plan import Misbehaviour


def disturb(
    stream: Iterator[Outgoing], misbehaviour: Misbehaviour, rng: Random, on_lost: Callable[[Outgoing], None]
) -> Iterator[Outgoing]:
    """Yield the messages of `stream` as they arrive; those held back leave late, and all have left at the end.

    A lost message is handed to `on_lost` instead. What is held back keeps its content and gets a later `due_us`.
    """
    held: list[tuple[int, int, Outgoing]] = []
    for number, outgoing in enumerate(stream):
        while held and held[0][0] <= outgoing.due_us:
            yield heappop(held)[2]
        if rng.random() < misbehaviour.lose:
            on_lost(outgoing)
            continue
        if rng.random() < misbehaviour.duplicate:
            again = _held_back(outgoing, misbehaviour.reorder_s, rng)
            heappush(held, (again.due_us, 2 * number, again))
        hold_s = _hold_s(misbehaviour, rng)
        if hold_s is None:
            yield outgoing
        else:
            later = _held_back(outgoing, hold_s, rng)
            heappush(held, (later.due_us, 2 * number + 1, later))
    while held:
        yield heappop(held)[2]


def _hold_s(misbehaviour: Misbehaviour, rng: Random) -> float | None:
    """Return the longest time for which a message is held back, or None for one that goes straight on."""
    chance = rng.random()
    if chance < misbehaviour.late:
        return misbehaviour.late_s
    return misbehaviour.reorder_s if chance < misbehaviour.late + misbehaviour.reorder else None


def _held_back(outgoing: Outgoing, longest_s: float, rng: Random) -> Outgoing:
    return outgoing._replace(due_us=outgoing.due_us + rng.randint(0, to_us(longest_s)))
