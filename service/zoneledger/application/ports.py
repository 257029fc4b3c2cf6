"""What the use cases need of a store; instants are microseconds since the Unix epoch."""

from collections.abc import Iterable, Sequence
from contextlib import AbstractAsyncContextManager
from typing import Literal, Protocol

from zoneledger.application.in_order import InOrder
from zoneledger.application.keyring import KeyringReading, KeyringWriting
from zoneledger.application.stored import (
    Arrivals,
    Basis,
    Checkpoint,
    Count,
    Cursor,
    DefectCount,
    EventRow,
    FastenerAfter,
    GivenRow,
    Head,
    Key,
    LeaseRow,
    Listed,
    Outdated,
    PaceCount,
    PanelCount,
    PausesAsked,
    PlantVersion,
    Presum,
    ProofRow,
    RefusedFilter,
    RefusedRow,
    RefusedSize,
    Revision,
    SnapshotRow,
    Stamp,
    Stretch,
    Unmatched,
)
from zoneledger.application.trails import Trails
from zoneledger.core.failures import Raised, Wanted
from zoneledger.core.minor_stops import Pause
from zoneledger.core.rates import Made, Piece
from zoneledger.core.rows import Activity, Alarm, Booked, Discrepancy, Fastener, Gap, Place, Verdict, ZoneSpan
from zoneledger.core.spans import Interval


class Reading(InOrder, Trails, KeyringReading, Protocol):
    """One consistent look at the store."""

    async def cells(self) -> list[str]:
        """Return the paths of all cells that ever sent a message, of the plant or not."""

    async def plant(self, version: int | None = None) -> PlantVersion | None:
        """Return a version of the plant model, the present one unless told, or None."""

    async def plant_version(self) -> int:
        """Return the present version's number, 0 before any."""

    async def heads(self, cells: Sequence[str]) -> dict[str, Head]:
        """Return the heads of those cells that ever sent a message, by path."""

    async def spans(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[ZoneSpan]]:
        """Return the closed spans that overlap a window, by cell, sorted by zone and start; a cell's own under the zone ''."""

    async def count_fasteners(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[Count]:
        """Return the fasteners made in each of the segments, counted by kind."""

    async def count_defects(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[DefectCount]:
        """Return the fasteners of each of the segments that are not good after verdicts, counted by kind and position."""

    async def count_by_panel(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[PanelCount]:
        """Return the fasteners made in each of the segments, counted by zone, panel and result after verdicts."""

    async def count_paced(
        self, cells: Sequence[str], zone: str | None, window: Interval, until_us: int, parts: int
    ) -> list[PaceCount]:
        """Return the fasteners of a window made before `until_us`, in a zone or any, counted by zone and piece.

        The window is cut into so many equal pieces: one made at `at_us` lies in (at_us - start_us) * parts // (end_us - start_us).
        """

    async def pauses(
        self, asked: Sequence[PausesAsked], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Pause]]:
        """Return the pauses between fasteners that overlap a window, by (cell, zone), in order, each as a whole.

        Those between two fasteners are left out unless longer than asked for; of fasteners of one instant the order is that of
        (boot, seq). The time before the first fastener and after the last one that is looked for is a pause, however long.
        """

    async def activities(
        self, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Activity]]:
        """Return the activities of (cell, zone) that are over and had begun before `end_us`, by (cell, zone), in order.

        They reach back to the end of the last but one unload that was told before the window, so that the passes in the window
        and the one before are whole; but no further than to the last ACTIVITIES_BACK of a zone before it.
        """

    async def alarms(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[Alarm]]:
        """Return the alarms raised in a window, by cell, sorted by time."""

    async def last_raises(self, wanted: Sequence[Wanted]) -> list[Raised | None]:
        """Return the last raise of each of these stop alarms, in the order in which they are asked for."""

    async def count_made(self, pieces: Sequence[Piece], zone: str | None) -> list[Made]:
        """Return the fasteners made in pieces of time, in a zone or any, counted by part, kind, results and seconds."""

    async def busiest(
        self, pieces: Sequence[Piece], zone: str | None, length_us: int, last_us: int
    ) -> tuple[int, int] | None:
        """Return (begin, number) of the stretch of `length_us` in which the most fasteners were made, None where none were.

        It begins with a fastener, or at `last_us`, and no later; of equal ones it is the first.
        """

    async def fasteners(
        self, cell: str, start_us: int, end_us: int, after: FastenerAfter | None, limit: int
    ) -> list[tuple[Fastener, str | None]]:
        """Return the next fasteners of a cell in a window by booked time and key, each with the verdict that it has."""

    async def proofs(self, after_id: int, limit: int) -> list[Listed[ProofRow]]:
        """Return the first acceptance runs after a number, as they were declared."""

    async def proof(self, number: int) -> Listed[ProofRow] | None:
        """Return the acceptance run of a number, None where there is none."""

    async def count_unseen(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[tuple[str, int, str, int]]:
        """Return (cell, segment, zone, number) of fasteners that snapshots count and no event told."""

    async def revisions(
        self, units: Sequence[str], start_us: int, end_us: int, after_id: int, limit: int | None
    ) -> list[Listed[Revision]]:
        """Return the changes of the past that touch a window, in the order in which they were recorded; `limit` None: all."""

    async def presums(self, line: str, cell: str, start_us: int, end_us: int, limit: int | None = None) -> list[Presum]:
        """Return the pre-sums of a line (`cell` empty) or a cell that lie in a window as a whole, in order; `limit` None: all."""

    async def presummed(self, line: str, start_us: int, end_us: int) -> set[tuple[str, int]]:
        """Return (cell, start_us) of the pre-sums of a line and its cells that begin in a window."""

    async def begun_us(self, cells: Sequence[str]) -> int | None:
        """Return when the first closed span of any of these cells begins, None where there is none."""

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same."""

    async def given(self, cells: Sequence[str], start_us: int, end_us: int) -> list[Listed[GivenRow]]:
        """Return what people said of these cells and their zones in a window, undone or not, in the order in which they said it."""

    async def given_history(
        self, cells: Sequence[str], zone: str | None, after_id: int, limit: int
    ) -> list[Listed[GivenRow]]:
        """Return a page of what people said of these cells and their zones, or of one zone only, in the order in which they did."""

    async def given_entry(self, number: int) -> Listed[GivenRow] | None:
        """Return the entry of this number, None where there is none."""

    async def lease(self, name: str) -> LeaseRow | None:
        """Return who holds a lease, None where nobody ever did or it was given up."""

    async def refused(self, which: RefusedFilter, limit: int) -> list[Listed[RefusedRow]]:
        """Return the first of those refused messages, in the order of their numbers."""

    async def refused_sizes(self, which: RefusedFilter, limit: int) -> list[RefusedSize]:
        """Return what `refused` does, without the messages."""

    async def last_refused_id(self) -> int:
        """Return the number of the refused message that came last, 0 where there is none."""

    async def count_refused(
        self, by: Literal["reason", "cell"], which: RefusedFilter, limit: int
    ) -> list[tuple[str, int]]:
        """Return how many of those refused messages there are by reason or by cell: so many of the most, these first."""

    async def events_by_arrival(self, cells: Sequence[str] | None, after_id: int, limit: int) -> list[Listed[EventRow]]:
        """Return events in the order in which they were stored; `cells` None: of every cell that ever sent."""

    async def snapshots_by_arrival(
        self, cells: Sequence[str] | None, after_id: int, limit: int
    ) -> list[Listed[SnapshotRow]]:
        """Return snapshots as `events_by_arrival` does events."""

    async def gaps(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Gap]]:
        """Return missing events, by cell."""

    async def discrepancies(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Discrepancy]]:
        """Return where controllers contradict themselves."""

    async def unmatched(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Unmatched]]:
        """Return verdicts that apply to no fastener, each under the number of its event, in that order."""


class Writing(Reading, KeyringWriting, Protocol):
    """One transaction: all of it is kept at its end, or nothing."""

    async def take_lease(self, name: str, holder: str, for_us: int) -> bool:
        """Take or renew a lease for so long from now, by the store's clock; False where another one holds it."""

    async def give_up_lease(self, name: str, holder: str) -> None:
        """Give a lease up, where this holder has it."""

    async def lock_plants(self) -> None:
        """Keep other writers from declaring a plant model until the end."""

    async def add_plant(self, document: str, applied_us: int) -> int:
        """Keep a new version of the plant model and return its number."""

    async def add_proof(self, row: ProofRow) -> int:
        """Keep a new acceptance run and return its number."""

    async def freeze_proof(self, number: int, frozen: str, frozen_us: int) -> bool:
        """Keep what an acceptance run came to, unless that was done before; return whether it is kept now."""

    async def lock_heads(self, cells: Sequence[str]) -> dict[str, Head]:
        """Return the heads of cells, made where there was none, safe from other writers until the end."""

    async def save_heads(self, heads: Iterable[Head]) -> None:
        """Keep what changed in heads."""

    async def events_at(self, cell_id: int, keys: Sequence[Key]) -> dict[Key, str]:
        """Return the text of those events that are stored."""

    async def add_events(self, rows: Sequence[EventRow]) -> None:
        """Keep new events."""

    async def events_after(self, cell_id: int, key: Key | None, limit: int) -> list[tuple[Key, str]]:
        """Return the next events in the order, as (key, text)."""

    async def snapshots_at(self, cell_id: int, places: Sequence[tuple[int, int, int]]) -> set[SnapshotRow]:
        """Return the snapshots stored at those (boot, seq, at_us)."""

    async def snapshots_between(self, cell_id: int, first: Key | None, before: Key | None) -> list[SnapshotRow]:
        """Return the snapshots from key `first` on to before `before` (None: no bound), by place, instant and content."""

    async def add_snapshots(self, rows: Sequence[SnapshotRow]) -> None:
        """Keep new snapshots."""

    async def checkpoint_before(self, ledger_id: int, key: Key) -> Checkpoint | None:
        """Return the last checkpoint before a key."""

    async def put_checkpoints(self, rows: Sequence[tuple[int, Checkpoint]]) -> None:
        """Keep checkpoints, as (ledger_id, checkpoint), in the place of those at the same keys."""

    async def booked(self, ledger_id: int, stretch: Stretch) -> Booked:
        """Return a stretch of the ledger."""

    async def remove_booked(self, ledger_id: int, stretch: Stretch, rows: Booked) -> None:
        """Remove rows of a stretch."""

    async def add_booked(self, rows: Sequence[tuple[int, Booked]]) -> None:
        """Add rows, as (ledger_id, rows)."""

    async def made_at(
        self, ledger_id: int, positions: Sequence[tuple[str, str]]
    ) -> tuple[list[tuple[Fastener, str | None]], list[Verdict]]:
        """Return the fasteners made at (panel, position), each with the verdict that it has, and the verdicts given there."""

    async def put_verdicts(self, ledger_id: int, results: dict[Key, str | None]) -> None:
        """Set the verdicts that fasteners have."""

    async def begin_ledger(self, cell: str, now_us: int) -> int:
        """Make an empty ledger for a cell, which no head names yet, and return its number."""

    async def ledgers(self, cell: str) -> dict[int, int]:
        """Return when each ledger of a cell was last touched, in microseconds, by its number."""

    async def touch_ledger(self, ledger_id: int, now_us: int) -> bool:
        """Note that a ledger is being worked on; return whether it is still there."""

    async def copy_booked(
        self, old_id: int, new_id: int, stretch: Stretch, after: Cursor | None, rows: int
    ) -> Cursor | None:
        """Copy at most so many rows of a stretch of a ledger, and checkpoints, to another; return where to go on, None at the end."""

    async def forget_booked(self, ledger_id: int, stretch: Stretch, rows: int) -> bool:
        """Remove at most so many rows of each kind of a stretch, and checkpoints before its end; return whether none is left."""

    async def forget_messages(self, cell_id: int, upto: Key, rows: int) -> bool:
        """Remove at most so many events up to a key, and snapshots before its own; return whether none is left."""

    async def forget_refused(self, before_us: int, rows: int) -> bool:
        """Remove at most so many refused messages that arrived before then; return whether none is left."""

    async def forget_revisions(self, unit: str, before_us: int, rows: int) -> bool:
        """Remove at most so many changes of a unit's times that ended before then; return whether none is left."""

    async def remove_ledger(self, ledger_id: int, rows: int) -> bool:
        """Remove at most so many rows of each kind of a ledger that no head names; return whether it is gone as a whole."""

    async def arrivals(self, cell_id: int) -> Arrivals:
        """Return up to where messages of a cell have arrived."""

    async def places_since(self, cell_id: int, arrivals: Arrivals) -> list[Place]:
        """Return the places of the messages that arrived after `arrivals`, sorted."""

    async def add_refused(self, rows: Sequence[RefusedRow]) -> None:
        """Keep refused messages."""

    async def lock_refused(self, ids: Sequence[int]) -> list[Listed[RefusedRow]]:
        """Return those refused messages, by their numbers, safe from other writers until the end.

        Those that another writer holds are left out rather than waited for. Heads are locked before.
        """

    async def remove_refused(self, ids: Sequence[int]) -> None:
        """Remove refused messages."""

    async def change_refused(self, rows: Sequence[tuple[int, str, str]]) -> None:
        """Give refused messages, by their numbers, another reason and detail."""

    async def lock_given(self) -> None:
        """Keep other writers from adding what people say until the end. Heads are locked before."""

    async def add_given(self, row: GivenRow) -> int:
        """Keep what somebody said and return its number, which is higher than all before."""

    async def add_revisions(self, rows: Sequence[Revision]) -> None:
        """Keep changes of the past, and drop the pre-sums that they outdate."""

    async def lock_presums(self) -> None:
        """Wait for whoever drops pre-sums, and keep others from dropping or adding any until the end; before anything is read."""

    async def put_presums(self, rows: Sequence[Presum]) -> None:
        """Keep pre-sums, in the place of those that begin at the same instants."""

    async def drop_presums(self, outdated: Sequence[Outdated]) -> None:
        """Drop the pre-sums that overlap such time of a unit or of what it is part of, and of a line of all its cells."""


class Store(Protocol):
    """Where all is kept. Its methods raise StoreUnavailable while the database does not answer."""

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        """Begin one consistent look."""

    def writing(self) -> AbstractAsyncContextManager[Writing]:
        """Begin a transaction; leaving it without an error commits, with one rolls back."""

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same: the cheapest look there is."""

    async def close(self) -> None:
        """Let go of all connections."""
