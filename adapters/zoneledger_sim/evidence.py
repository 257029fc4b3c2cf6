"""When a cell can be known, by those of its messages that are stored: the contract's rules of evidence, for a clock that is right."""

from itertools import pairwise

from zoneledger_sim.controller import Message
from zoneledger_sim.missing import Run, unite

_Place = tuple[int, int, bool, int]
"""A message's boot and seq, whether it is a snapshot, and its instant in microseconds since the Unix epoch."""


class Evidence:
    """The places of one cell's stored messages, taken in any order and any number of times."""

    def __init__(self) -> None:
        self._places: set[_Place] = set()

    def take(self, message: Message, at_us: int) -> None:
        """Take a message that is stored."""
        self._places.add((message["boot"], message["seq"], message["type"] == "snapshot", at_us))

    def unknown(self, window: Run) -> list[Run]:
        """Return when nobody can know, within a window that ends no later than the last message.

        That is before the first snapshot, and from the last message before a gap or a new boot to the next snapshot.
        """
        runs, since_us = [], window[0]
        known = False
        for before, place in pairwise([(-1, 0, False, window[0]), *sorted(self._places)]):
            boot, seq, is_snapshot, at_us = place
            if known and (before[0] != boot or seq - before[1] != (not is_snapshot)):
                known, since_us = False, before[3]
            if is_snapshot and not known:
                known = True
                runs.append((since_us, at_us))
        if not known:
            runs.append((since_us, window[1]))
        return unite((max(first, window[0]), min(end, window[1])) for first, end in runs)
