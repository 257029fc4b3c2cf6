"""What is asked of a store about a cell's messages in the order in which they are booked."""

from typing import Protocol

from zoneledger.application.stored import Checkpoint, Key, MessageAt, MessageRow
from zoneledger.core.rows import Gap, Place


class InOrder(Protocol):
    """A part of Reading."""

    async def next_checkpoints(self, ledger_id: int, after: Key | None, limit: int) -> list[Checkpoint]:
        """Return the next checkpoints after a key (None: the first), in their order."""

    async def first_reaching(self, cell_id: int, after: Key | None, upto: Key | None, at_us: int) -> MessageAt | None:
        """Return the first message of a cell whose time is not before `at_us`, after event `after` and not after event `upto`.

        None of either: no bound.
        """

    async def messages_after(self, cell_id: int, after: MessageAt | None, limit: int) -> list[MessageRow]:
        """Return the next events and snapshots of a cell after a place (None: the first), in the order of their places."""

    async def gaps_from(self, ledger_id: int, first: Place, limit: int) -> list[Gap]:
        """Return the next missing events of a ledger by the places that showed them, from a place on."""
