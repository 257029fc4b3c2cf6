"""Rows and other values that the use cases hand to a store and get from it; instants are microseconds since the Unix epoch."""

from dataclasses import dataclass, field
from typing import Any, Generic, NamedTuple, TypeVar

from zoneledger.core.booking import FOLD
from zoneledger.core.offsets import Offset, later_of
from zoneledger.core.rows import Place, Verdict
from zoneledger.core.spans import Interval

RowT = TypeVar("RowT")

Key = tuple[int, int]
"""An event's (boot, seq)."""


#: What the counts of fields that the contract does not have begin with.
UNKNOWN_FIELD = "unknown_field:"


def unknown_fields_of(counts: dict[str, int]) -> dict[str, int]:
    """Return the counts of fields that the contract does not have, by the field's name."""
    return {
        name.removeprefix(UNKNOWN_FIELD): number for name, number in counts.items() if name.startswith(UNKNOWN_FIELD)
    }


@dataclass(slots=True)
class Head:
    """A cell as it stands: the booking after its last message (canonical JSON, empty before any), its link, its counts.

    `counts` are by name: events, snapshots, duplicate, refused, and `unknown_field:NAME`. `ledger_id` names its ledger.
    `clock` tells how far its clock is ahead by the messages that were taken, `refused_clock` by those that were refused as they lie
    ahead. Messages up to the event (`kept_boot`, `kept_seq`), and ledger rows before
    `ledger_from_us`, are not kept any more; None: all are. `fold` is the version of the rules that derived its ledger; but rows
    before `derived_from_us` are those of an earlier version, which had no activities and alarms: their messages were gone.
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
    refused_clock: Offset | None = None
    kept_boot: int | None = None
    kept_seq: int | None = None
    ledger_from_us: int | None = None
    fold: int = FOLD
    derived_from_us: int | None = None

    @property
    def present_clock(self) -> Offset | None:
        """What tells the clock now: messages that were taken, and refused ones only once there are none of these any more."""
        return later_of(self.clock, self.refused_clock)

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


class MessageAt(NamedTuple):
    """Where a stored message stands in its cell's order; `rank` is 0 of an event, 1 of a snapshot after it, `id` its row's number."""

    boot: int
    seq: int
    rank: int
    at_us: int
    id: int


class MessageRow(NamedTuple):
    """An event, or a snapshot (of type `snapshot`, without a time of arrival), as its own kind of row has it."""

    at: MessageAt
    arrived_us: int | None
    type: str
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
    """Which refused messages are meant: sent as a cell, for a reason, with these numbers, after one and up to one; None: any.

    And those that arrived over [arrived_us[0], arrived_us[1]).
    """

    cell: str | None = None
    reason: str | None = None
    ids: tuple[int, ...] | None = None
    after_id: int = 0
    upto_id: int | None = None
    arrived_us: Interval | None = None


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
    """A change of the past: `unit` is the cell, line or zone, [from_us, to_us) the time whose figures it may have changed."""

    unit: str
    from_us: int
    to_us: int
    recorded_us: int
    cause: str


class Outdated(NamedTuple):
    """Time of a line, cell or zone of which pre-sums do not hold any more."""

    unit: str
    from_us: int
    to_us: int


class Presum(NamedTuple):
    """What a line (`cell` empty) or one of its cells, by its path, came to over a slot: the text of its total."""

    line: str
    cell: str
    start_us: int
    end_us: int
    total: str


class Basis(NamedTuple):
    """What the figures of a unit over [start_us, end_us) rest on: pre-sums of (line, cell), and changes of units."""

    places: tuple[tuple[str, str], ...]
    units: tuple[str, ...]
    start_us: int
    end_us: int


class Stamp(NamedTuple):
    """Tells whether what a basis holds is still the same: the plant's version, how many pre-sums and changes, and the last of each."""

    plant_version: int
    presums: int
    last_presum: int
    changes: int
    last_change: int


class GivenRow(NamedTuple):
    """What somebody in a role said of a cell's time (`zone` empty) or a zone's over [start_us, end_us), for good.

    `reason` None takes back what was said before; `states`, with commas between, are those that it may bear on. Or, where
    `undoes` is given, that the entry of this number counts no more, over the same time.
    """

    cell: str
    zone: str
    start_us: int
    end_us: int
    reason: str | None
    states: str
    role: str
    note: str | None
    undoes: int | None
    recorded_us: int


FastenerAfter = tuple[int, int, int]
"""The (at_us, boot, seq) of a fastener, after which a page begins."""


class ProofRow(NamedTuple):
    """An acceptance run: `declared` and `frozen`, what it came to, as canonical JSON; None while it is not frozen."""

    unit: str
    start_us: int
    end_us: int
    declared: str
    declared_us: int
    frozen: str | None = None
    frozen_us: int | None = None


class LeaseRow(NamedTuple):
    """Who holds a lease, and for how long yet by the store's clock; not above 0 where it has lapsed."""

    holder: str
    left_us: int


class PlantVersion(NamedTuple):
    """A plant model as declared: its document as canonical JSON."""

    version: int
    document: str
    applied_us: int


class Room(NamedTuple):
    """How many bytes a database takes, and how many are left on its disk; None where that cannot be seen."""

    taken: int
    left: int | None


class Count(NamedTuple):
    """How many fasteners of a kind a cell made in one segment (an index into those asked for); `result` is the one after verdicts."""

    cell: str
    segment: int
    zone: str
    operation: str
    item: str | None
    program: str | None
    first: str
    result: str
    number: int


class Unmatched(NamedTuple):
    """A verdict that applies to no fastener, with its message's time and when that arrived."""

    verdict: Verdict
    at_us: int
    arrived_us: int


class DefectCount(NamedTuple):
    """How many fasteners of a kind at a position of a panel a cell did not make well in one segment, by the result after verdicts."""

    cell: str
    segment: int
    zone: str
    operation: str
    item: str | None
    program: str | None
    position: str | None
    result: str
    number: int


class PanelCount(NamedTuple):
    """How many fasteners a zone made for a panel in one segment, by the result after verdicts; `panel` None: nobody told which."""

    cell: str
    segment: int
    zone: str
    panel: str | None
    result: str
    number: int


class PaceCount(NamedTuple):
    """How many fasteners a zone made in one of the equal pieces of a window, and how many of them are good after verdicts."""

    cell: str
    zone: str
    piece: int
    made: int
    good: int


class PausesAsked(NamedTuple):
    """Whose pauses between fasteners are meant, a zone's or (under the zone '') the whole cell's, and longer than what.

    Fasteners before `since_us` and after `until_us` are not looked for: so far may a pause reach out of the window.
    """

    cell: str
    zone: str
    longer_us: int
    since_us: int
    until_us: int


class Stretch(NamedTuple):
    """Part of a cell's ledger to be replaced: rows from messages after `after` up to `upto` (None: the end).

    A span belongs to it if its start lies in the bounds of its zone: from `starts` (absent: `start_us`, None for the beginning)
    to before `stops` (absent: `stop_us`, None for no end).
    """

    after: Place | None
    upto: Place | None
    starts: dict[str, int]
    stops: dict[str, int]
    stop_us: int | None
    start_us: int | None = None


Cursor = tuple[int, tuple[Any, ...]]
"""Where to go on in a work that is done piece by piece; for the store only."""
