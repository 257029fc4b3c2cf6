"""The InOrder port in memory, over what the memory store keeps."""

from typing import Any

from zoneledger.application.stored import Checkpoint, Key, MessageAt, MessageRow
from zoneledger.core.rows import Gap, Place


class MemoryInOrder:
    """A cell's checkpoints and messages in the order in which they are booked."""

    _state: Any

    async def next_checkpoints(self, ledger_id: int, after: Key | None, limit: int) -> list[Checkpoint]:
        kept = self._state.checkpoints.items()
        own = [Checkpoint(boot, seq, text) for (owner, boot, seq), text in kept if owner == ledger_id]
        return sorted(row for row in own if after is None or row[:2] > after)[:limit]

    def _messages(self, cell_id: int) -> list[MessageRow]:
        events, snapshots = enumerate(self._state.events.values(), 1), enumerate(self._state.snapshots, 1)
        found = [
            MessageRow(MessageAt(row.boot, row.seq, 0, row.at_us, i), row.arrived_us, row.type, row.body)
            for i, row in events
            if row.cell_id == cell_id
        ]
        found += [
            MessageRow(MessageAt(row.boot, row.seq, 1, row.at_us, i), None, "snapshot", row.body)
            for i, row in snapshots
            if row.cell_id == cell_id
        ]
        return sorted(found, key=lambda row: row.at)

    async def first_reaching(self, cell_id: int, after: Key | None, upto: Key | None, at_us: int) -> MessageAt | None:
        for row in self._messages(cell_id):
            place = row.at[:3]
            within = (after is None or place > (*after, 0)) and (upto is None or place <= (*upto, 0))
            if within and row.at.at_us >= at_us:
                return row.at
        return None

    async def messages_after(self, cell_id: int, after: MessageAt | None, limit: int) -> list[MessageRow]:
        return [row for row in self._messages(cell_id) if after is None or row.at > after][:limit]

    async def gaps_from(self, ledger_id: int, first: Place, limit: int) -> list[Gap]:
        own = (row for owner, row in self._state.gaps.values() if owner == ledger_id and row.place >= first)
        return sorted(own, key=lambda row: row.place)[:limit]
