"""What is asked of a store about the messages that a cell sent last, from the newest back: never more than so many rows."""

from typing import Protocol

from zoneledger.application.stored import Listed, RefusedRow, SnapshotRow, Unmatched
from zoneledger.core.hearing import Heard
from zoneledger.core.rows import Alarm, Discrepancy, Gap


class Trails(Protocol):
    """A part of Reading. Each of its lists begins with the last one; that of a cell that never sent anything is empty."""

    async def boots(self, cell: str, limit: int) -> list[int]:
        """Return so many of the highest boots of a cell and of the lowest, ascending."""

    async def recent_boots(self, cell: str, since_us: int, among: int) -> set[int]:
        """Return those of so many of the highest boots of a cell whose last event or snapshot is not before an instant."""

    async def last_events(self, cell: str, boot: int, before_seq: int | None, limit: int) -> list[Heard]:
        """Return the last events of a boot, or those before a number."""

    async def last_snapshots(self, cell: str, boot: int, before: tuple[int, int] | None, limit: int) -> list[Heard]:
        """Return the last snapshots of a boot, or those before a (seq, at_us)."""

    async def last_conditions(self, cell: str, boot: int, limit: int) -> list[SnapshotRow]:
        """Return the last snapshots of a boot with what they tell."""

    async def last_gaps(self, cell: str, limit: int) -> list[Gap]:
        """Return the gaps that were closest to the cell's last message."""

    async def last_discrepancies(
        self, cell: str, kind: str, start_us: int, end_us: int, limit: int
    ) -> list[Discrepancy]:
        """Return the last discrepancies of a kind in a window of booked time."""

    async def last_refused(self, cell: str, shown_bytes: int, limit: int) -> list[Listed[RefusedRow]]:
        """Return what was sent as a cell and refused last, with at most so many of its bytes."""

    async def last_alarms(self, cell: str, limit: int) -> list[Alarm]:
        """Return the alarms that were raised last."""

    async def last_unmatched(self, cell: str, among: int) -> list[Unmatched]:
        """Return those of the last so many verdicts that apply to no fastener."""
