"""What the use cases need of a store; instants are microseconds since the Unix epoch."""

from collections.abc import Iterable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, field
from typing import Any, Generic, Literal, NamedTuple, Protocol, TypeVar

from zoneledger.core.booking import FOLD
from zoneledger.core.offsets import Offset
from zoneledger.core.rows import Activity, Alarm, Booked, Discrepancy, Fastener, Gap, Place, Verdict, ZoneSpan
from zoneledger.core.spans import Interval

RowT = TypeVar("RowT")

Key = tuple[int, int]
"""An event's (boot, seq)."""


@dataclass(slots=True)
class Head:
    """A cell as it stands: the booking after its last message (canonical JSON, empty before any), its link, its counts.

    `counts` are by name: events, snapshots, duplicate, refused, and `unknown_field:NAME`. `ledger_id` names its ledger.
    `clock` tells how far its clock is ahead. Messages up to the event (`kept_boot`, `kept_seq`), and ledger rows before
    `ledger_from_us`, are not kept any more; None: all are. `fold` is the version of the rules that derived its ledger.
    """

    cell_id: int
    cell: str
    booking: str = ""
    events_since_checkpoint: int = 0
    link: str | None = None
    link_us: int | None = None
    link_down_us: int | None = None
    counts: dict[str, int] = field(default_factory=dict)
    ledger_id: int = 0
    clock: Offset | None = None
    kept_boot: int | None = None
    kept_seq: int | None = None
    ledger_from_us: int | None = None
    fold: int = FOLD

    @property
    def kept_after(self) -> Key | None:
        """The event up to which messages are not kept any more, None where all are."""
        return None if self.kept_boot is None or self.kept_seq is None else (self.kept_boot, self.kept_seq)


class EventRow(NamedTuple):
    """An event as stored: its message's own text."""

    cell_id: int
    boot: int
    seq: int
    at_us: int
    arrived_us: int
    type: str
    body: str


class SnapshotRow(NamedTuple):
    """A snapshot as stored: its content as canonical JSON, without place and instant."""

    cell_id: int
    boot: int
    seq: int
    at_us: int
    body: str


class RefusedRow(NamedTuple):
    """A refused message or payload with all that is needed to offer it again; `body` holds at most 256 KiB of its `size` bytes."""

    cell: str
    origin: str
    arrived_us: int
    at_index: int
    reason: str
    detail: str
    body: bytes
    size: int


class RefusedFilter(NamedTuple):
    """Which refused messages are meant: sent as a cell, for a reason, with these numbers, after one and up to one; None: any."""

    cell: str | None = None
    reason: str | None = None
    ids: tuple[int, ...] | None = None
    after_id: int = 0
    upto_id: int | None = None


class RefusedSize(NamedTuple):
    """A refused message by its number, without the bytes, of which so many are kept."""

    id: int
    cell: str
    kept_bytes: int


class Listed(NamedTuple, Generic[RowT]):
    """A row of a paged list with the number that the next page begins after."""

    id: int
    cell: str
    row: RowT


class Arrivals(NamedTuple):
    """The numbers of the last event and the last snapshot of a cell that have arrived, 0 before any."""

    event_id: int
    snapshot_id: int


class Checkpoint(NamedTuple):
    """The booking after the event at (boot, seq), as canonical JSON."""

    boot: int
    seq: int
    booking: str


class Revision(NamedTuple):
    """A change of the past: `unit` is the cell or line, [from_us, to_us) the time whose figures it may have changed."""

    unit: str
    from_us: int
    to_us: int
    recorded_us: int
    cause: str


class LeaseRow(NamedTuple):
    """Who holds a lease, and for how long yet by the store's clock; not above 0 where it has lapsed."""

    holder: str
    left_us: int


class PlantVersion(NamedTuple):
    """A plant model as declared: its document as canonical JSON."""

    version: int
    document: str
    applied_us: int


class Count(NamedTuple):
    """How many fasteners of a kind a cell made in one segment (an index into those asked for); `result` is the final one."""

    cell: str
    segment: int
    zone: str
    operation: str
    item: str | None
    program: str | None
    result: str
    number: int


class Stretch(NamedTuple):
    """Part of a cell's ledger to be replaced: rows from messages after `after` up to `upto` (None: the end).

    A span belongs to it if its start lies in the bounds of its zone: from `starts` (absent: the beginning) to before
    `stops` (absent: `stop_us`, None for no end).
    """

    after: Place | None
    upto: Place | None
    starts: dict[str, int]
    stops: dict[str, int]
    stop_us: int | None


Cursor = tuple[int, tuple[Any, ...]]
"""Where to go on in a work that is done piece by piece; for the store only."""


class Reading(Protocol):
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

    async def activities(
        self, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
    ) -> dict[str, list[Activity]]:
        """Return the activities of (cell, zone) that are over and had begun before `end_us`, by cell, sorted by zone and start.

        They reach back to the last load that had begun by `start_us`, so that the passes that overlap the window are whole.
        """

    async def alarms(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[Alarm]]:
        """Return the alarms raised in a window, by cell, sorted by time."""

    async def count_unseen(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[tuple[str, int, str, int]]:
        """Return (cell, segment, zone, number) of fasteners that snapshots count and no event told."""

    async def revisions(
        self, units: Sequence[str], start_us: int, end_us: int, after_id: int, limit: int | None
    ) -> list[Listed[Revision]]:
        """Return the changes of the past that touch a window, in the order in which they were recorded; `limit` None: all."""

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


class Writing(Reading, Protocol):
    """One transaction: all of it is kept at its end, or nothing."""

    async def take_lease(self, name: str, holder: str, for_us: int) -> bool:
        """Take or renew a lease for so long from now, by the store's clock; False where another one holds it."""

    async def give_up_lease(self, name: str, holder: str) -> None:
        """Give a lease up, where this holder has it."""

    async def lock_plants(self) -> None:
        """Keep other writers from declaring a plant model until the end."""

    async def add_plant(self, document: str, applied_us: int) -> int:
        """Keep a new version of the plant model and return its number."""

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

    async def next_checkpoints(self, ledger_id: int, after: Key | None, limit: int) -> list[Checkpoint]:
        """Return the next checkpoints after a key (None: the first), in their order."""

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

    async def add_revisions(self, rows: Sequence[Revision]) -> None:
        """Keep changes of the past."""


class Store(Protocol):
    """Where all is kept. Its methods raise StoreUnavailable while the database does not answer."""

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        """Begin one consistent look."""

    def writing(self) -> AbstractAsyncContextManager[Writing]:
        """Begin a transaction; leaving it without an error commits, with one rolls back."""

    async def close(self) -> None:
        """Let go of all connections."""
