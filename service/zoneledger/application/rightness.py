"""Holds a cell's ledger against its messages, piece by piece: one that is right need not be written anew."""

from copy import copy
from dataclasses import dataclass

from zoneledger.application.book import Formers, Refold, difference, dump, load, next_messages, settled_otherwise
from zoneledger.application.giving_way import portions
from zoneledger.application.ports import Writing
from zoneledger.application.stored import Head, Key
from zoneledger.core.booking import Booking
from zoneledger.core.messages import Snapshot
from zoneledger.core.rows import Booked

#: How many messages are folded without a pause.
MESSAGES_AT_A_TIME = 100
#: How many events are read and compared at once, as each time costs its statements; a cell's messages wait for it some 100 ms.
EVENTS_AT_ONCE = 4000
#: Twice as many checkpoints as lie among them where none was late.
FORMERS_AT_ONCE = 32


def _is_told_by(text: str, booking: Booking) -> bool:
    """Tell whether a stored state is a booking's. One that was `stale` without need, as some were once, has the same rows follow."""
    if text == dump(booking):
        return True
    looked_at = copy(booking)
    looked_at.stale = True
    return text == dump(looked_at)


@dataclass(slots=True)
class Held:
    """How far a ledger was held against its messages: `after` is the last event, None at the beginning and at the end."""

    booking: Booking
    after: Key | None
    events: int = 0

    async def agrees(self, writing: Writing, head: Head) -> bool:
        """Fold the next messages and tell whether the ledger has the rows and checkpoints that they make; its head is locked.

        After the last of them, which leaves `after` None, the head has to know the same state.
        """
        piece = Refold(load(dump(self.booking), self.booking.limits), self.booking)
        if not await self._fold(writing, head):
            return False
        piece.agreed = None if self.after is None else self.booking.place
        rows = self.booking.take_booked()
        if difference(await writing.booked(head.ledger_id, piece.stretch()), rows) != (Booked(), Booked()):
            return False
        if await settled_otherwise(writing, head, Booked(verdicts=rows.verdicts)):
            return False
        return self.after is not None or _is_told_by(head.booking, self.booking)

    async def _fold(self, writing: Writing, head: Head) -> bool:
        """Fold a page of messages; return whether the ledger's checkpoints among them are right."""
        formers = Formers(writing, head.ledger_id, self.after, FORMERS_AT_ONCE)
        messages, self.after = await next_messages(writing, head.cell_id, self.after, EVENTS_AT_ONCE)
        former = await formers.seek((-1, 0))
        async for some in portions(messages, MESSAGES_AT_A_TIME):
            for message in some:
                self.booking.add(message)
                if type(message) is Snapshot:
                    continue
                self.events += 1
                key = message.boot, message.seq
                if former is not None and former[:2] <= key:
                    if former[:2] < key or not _is_told_by(former.booking, self.booking):
                        return False
                    former = await formers.seek((message.boot, message.seq + 1))
        return former is None or (self.after is not None and former[:2] > self.after)
