"""Finds the first message of a cell that is booked at an instant or later, by its checkpoints, however many messages there are."""

from typing import NamedTuple

from zoneledger.application.book import load
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Checkpoint, Head, Key, MessageAt
from zoneledger.core.booking import CLOCK_FLOOR_US, Limits

#: More than any boot or seq: a key as one number, boots first.
_RADIX = 2**53


class Reached(NamedTuple):
    """The first message of a cell that is booked at an instant or later, None where none is; none is booked before `floor_us`."""

    head: Head
    first: MessageAt | None
    floor_us: int


async def first_booked(reading: Reading, head: Head, at_us: int, limits: Limits) -> Reached:
    """Return the first message that is kept of a cell and booked at an instant or later.

    Booked time is the latest time told so far, so that this is the first message whose own time is not before the instant.
    It lies between two neighbouring checkpoints, which are found by halving: about seventy looks, however long the past is.
    """
    kept, floor_us = head.kept_after, CLOCK_FLOOR_US
    if kept is not None:
        floor_us = max(floor_us, _booked_us(await _next(reading, head, _number(kept) - 1), limits) or floor_us)
    if at_us <= floor_us:
        found = await reading.messages_after(head.cell_id, None if kept is None else MessageAt(*kept, 0, 0, 0), 1)
        return Reached(head, found[0].at if found else None, floor_us)
    after, upto = await _between(reading, head, at_us, limits)
    from_key = max((key for key in (after, kept) if key is not None), default=None)
    return Reached(head, await reading.first_reaching(head.cell_id, from_key, upto, at_us), floor_us)


def _number(key: Key) -> int:
    return key[0] * _RADIX + key[1]


async def _next(reading: Reading, head: Head, number: int) -> Checkpoint | None:
    """Return the first checkpoint after a key that is told as a number."""
    found = await reading.next_checkpoints(head.ledger_id, divmod(number, _RADIX), 1)
    return found[0] if found else None


def _booked_us(checkpoint: Checkpoint | None, limits: Limits) -> int | None:
    return None if checkpoint is None else load(checkpoint.booking, limits).booked_us


async def _between(reading: Reading, head: Head, at_us: int, limits: Limits) -> tuple[Key | None, Key | None]:
    """Return the keys of the last checkpoint that is booked before an instant and of the one after it, None where there is none."""
    place = load(head.booking, limits).place
    assert place is not None
    before: Key | None = None
    behind: Key | None = None
    low, high = -1, _number(place[:2]) + 1
    while low + 1 < high:
        middle = (low + high - 1) // 2
        found = await _next(reading, head, middle)
        number = high if found is None else _number(found[:2])
        booked_us = _booked_us(found, limits)
        if found is None or booked_us is None or number >= high:
            high = middle + 1
        elif booked_us < at_us:
            low, before = number, found[:2]
        else:
            high, behind = middle + 1, found[:2]
    return before, behind
