"""The rows of a cell's ledger, each with its place in the order of the messages that it comes from."""

from dataclasses import dataclass, field
from typing import NamedTuple

from zoneledger.core.spans import Span

EVENT_RANK, SNAPSHOT_RANK = 0, 1


class Place(NamedTuple):
    """Where a row comes from in a cell's order: an event (rank 0) or a snapshot after it (rank 1)."""

    boot: int
    seq: int
    rank: int


class ZoneSpan(NamedTuple):
    """A closed span of a zone, or of the cell itself where `zone` is empty."""

    zone: str
    span: Span


class Fastener(NamedTuple):
    """A fastener as booked: program and panel are its own or those of the zone's activity; `result` is the first one."""

    boot: int
    seq: int
    at_us: int
    zone: str
    operation: str
    item: str | None
    program: str | None
    panel: str | None
    position: str | None
    result: str
    seconds: float | None


class Verdict(NamedTuple):
    """A later quality decision, at its place in the order."""

    boot: int
    seq: int
    panel: str
    position: str
    result: str


class Gap(NamedTuple):
    """Events `first_seq` to `last_seq` of a boot that are missing, between two booked times (`since_us` None: from the beginning)."""

    place: Place
    first_seq: int
    last_seq: int
    since_us: int | None
    until_us: int


class Discrepancy(NamedTuple):
    """Where a controller contradicts itself; `unseen` is how many fasteners more a snapshot counts than events told."""

    place: Place
    number: int
    at_us: int
    kind: str
    zone: str
    detail: str
    unseen: int


class Activity(NamedTuple):
    """An activity of a zone that is over, from load to unload, at the place of the message that showed it.

    `automatic` and `manual` are the fasteners planned; `begun_by` and `ended_by` say on what evidence (see `activities`).
    """

    place: Place
    zone: str
    activity: str
    program: str | None
    panel: str | None
    automatic: int | None
    manual: int | None
    start_us: int
    end_us: int
    begun_by: str
    ended_by: str
    outcome: str | None


class Alarm(NamedTuple):
    """An alarm as it was raised; `zone` is empty where the whole cell is meant."""

    boot: int
    seq: int
    at_us: int
    zone: str
    code: str
    severity: str
    subsystem: str | None
    text: str | None


@dataclass(slots=True)
class Booked:
    """Rows that a stretch of messages adds to the ledger, in their order."""

    spans: list[ZoneSpan] = field(default_factory=list)
    fasteners: list[Fastener] = field(default_factory=list)
    verdicts: list[Verdict] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    discrepancies: list[Discrepancy] = field(default_factory=list)
    activities: list[Activity] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
