"""The Trails port in memory, over what the memory store keeps."""

from collections.abc import Iterator
from typing import Any

from zoneledger.application.stored import Listed, RefusedRow, SnapshotRow, Unmatched
from zoneledger.core.hearing import SNAPSHOT, Heard
from zoneledger.core.rows import Alarm, Discrepancy, Gap, Verdict


class MemoryTrails:
    """What a cell told last, from the newest back."""

    _state: Any

    def _cell_id(self, cell: str) -> int | None:
        head = self._state.heads.get(cell)
        return head.cell_id if head else None

    def _ledger_id(self, cell: str) -> int | None:
        head = self._state.heads.get(cell)
        return head.ledger_id if head else None

    def _heard(self, cell: str) -> Iterator[Heard]:
        for row in self._state.events.values():
            if row.cell_id == self._cell_id(cell):
                yield Heard(row.boot, row.seq, row.at_us, row.arrived_us, row.type)

    def _conditions(self, cell: str) -> list[SnapshotRow]:
        return [row for row in self._state.snapshots if row.cell_id == self._cell_id(cell)]

    async def boots(self, cell: str, limit: int) -> list[int]:
        found = sorted({row.boot for row in self._heard(cell)} | {row.boot for row in self._conditions(cell)})
        return sorted({*found[:limit], *found[-limit:]})

    async def recent_boots(self, cell: str, since_us: int, among: int) -> set[int]:
        found: set[int] = set()
        for rows in (list(self._heard(cell)), self._conditions(cell)):
            for boot in sorted({row.boot for row in rows}, reverse=True)[:among]:
                last = max((row.seq, row.at_us) for row in rows if row.boot == boot)
                found |= {boot} if last[1] >= since_us else set()
        return found

    async def last_events(self, cell: str, boot: int, before_seq: int | None, limit: int) -> list[Heard]:
        own = [row for row in self._heard(cell) if row.boot == boot]
        before = [row for row in own if before_seq is None or row.seq < before_seq]
        return sorted(before, key=lambda row: -row.seq)[:limit]

    async def last_snapshots(self, cell: str, boot: int, before: tuple[int, int] | None, limit: int) -> list[Heard]:
        own = [Heard(row.boot, row.seq, row.at_us, None, SNAPSHOT) for row in self._conditions(cell)]
        kept = [row for row in own if row.boot == boot and (before is None or row[1:3] < before)]
        return sorted(kept, key=lambda row: row[1:3], reverse=True)[:limit]

    async def last_conditions(self, cell: str, boot: int, limit: int) -> list[SnapshotRow]:
        own = [row for row in self._conditions(cell) if row.boot == boot]
        return sorted(own, key=lambda row: (row.seq, row.at_us), reverse=True)[:limit]

    async def last_gaps(self, cell: str, limit: int) -> list[Gap]:
        own = [row for owner, row in self._state.gaps.values() if owner == self._ledger_id(cell)]
        return sorted(own, key=lambda row: row.place, reverse=True)[:limit]

    async def last_discrepancies(
        self, cell: str, kind: str, start_us: int, end_us: int, limit: int
    ) -> list[Discrepancy]:
        kept = self._state.discrepancies.items()
        own = [(row.at_us, i, row) for i, (owner, row) in kept if owner == self._ledger_id(cell) and row.kind == kind]
        return [row for at_us, _, row in sorted(own, reverse=True) if start_us <= at_us < end_us][:limit]

    async def last_refused(self, cell: str, shown_bytes: int, limit: int) -> list[Listed[RefusedRow]]:
        own = [(i, row) for i, row in sorted(self._state.refused.items(), reverse=True) if row.cell == cell]
        return [Listed(i, cell, row._replace(body=row.body[:shown_bytes])) for i, row in own[:limit]]

    async def last_alarms(self, cell: str, limit: int) -> list[Alarm]:
        own = [row for (owner, *_), row in self._state.alarms.items() if owner == self._ledger_id(cell)]
        return sorted(own, key=lambda row: (row.at_us, row.boot, row.seq), reverse=True)[:limit]

    async def last_unmatched(self, cell: str, among: int) -> list[Unmatched]:
        own = [row for (owner, *_), row in self._state.verdicts.items() if owner == self._ledger_id(cell)]
        last = sorted(own, key=lambda row: row[:2], reverse=True)[:among]
        events = {(row.boot, row.seq): row for row in self._heard(cell)}
        found = []
        for row in last:
            event = events.get(row[:2])
            if event is not None and not self._is_made_before(cell, row):
                found.append(Unmatched(row, event.at_us, event.arrived_us or 0))
        return found

    def _is_made_before(self, cell: str, given: Verdict) -> bool:
        place = given.panel, given.position
        made = [row for (owner, *_), row in self._state.fasteners.items() if owner == self._ledger_id(cell)]
        return any((row.panel, row.position) == place and row[:2] < given[:2] for row in made)
