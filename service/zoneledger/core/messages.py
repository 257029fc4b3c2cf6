"""The messages of the contract, version 1, as immutable values; instants are microseconds since the Unix epoch, UTC."""

from msgspec import Struct

OUTCOMES = ("completed", "aborted")
ACTIVITIES = ("process", "load", "unload", "setup")
OPERATIONS = ("drill", "fasten", "trim")
RESULTS = ("good", "rework", "reject")
SEVERITIES = ("stop", "notice")
WAITS = ("panel", "operator", "head", "fasteners", "tool", "inspection", "upstream", "downstream", "other")


class Planned(Struct, frozen=True):
    """How many fasteners of a panel the cell is meant to set itself, and how many are left for the hand."""

    automatic: int
    manual: int


class Event(Struct, frozen=True):
    """A message that takes the place (`boot`, `seq`) in its cell's sequence; `at_us` is the controller's time."""

    boot: int
    seq: int
    at_us: int


class ActivityBegun(Event, frozen=True):
    zone: str
    activity: str
    program: str | None
    panel: str | None
    planned: Planned | None


class ActivityEnded(Event, frozen=True):
    zone: str
    activity: str
    outcome: str | None


class FastenerMade(Event, frozen=True):
    """One position finished; `seconds` is the head's time for it, in seconds."""

    zone: str
    operation: str
    result: str
    item: str | None
    position: str | None
    panel: str | None
    program: str | None
    seconds: float | None


class AlarmRaised(Event, frozen=True):
    """`zone` is None where the whole cell is meant."""

    zone: str | None
    code: str
    severity: str
    subsystem: str | None = None
    text: str | None = None


class AlarmCleared(Event, frozen=True):
    zone: str | None
    code: str


class WaitBegun(Event, frozen=True):
    zone: str
    cause: str


class WaitEnded(Event, frozen=True):
    zone: str
    cause: str


class VerdictGiven(Event, frozen=True):
    """A later quality decision on the last fastener made at `position` of `panel`."""

    panel: str
    position: str
    result: str
    zone: str | None = None


class UnknownEvent(Event, frozen=True):
    """An event of a type that this version does not know: it has its place, and no other effect."""

    type: str
    zone: str | None = None


class ZoneReport(Struct, frozen=True):
    """What a snapshot says of one zone; None is nothing of the kind, `made` None is not told."""

    activity: str | None
    program: str | None
    panel: str | None
    wait: str | None
    made: int | None


class ActiveAlarm(Struct, frozen=True):
    zone: str | None
    code: str
    severity: str


class Snapshot(Struct, frozen=True):
    """The controller's whole condition at `at_us`: nothing happened after event `seq` until then.

    It takes no place in the sequence. `zones` is sorted by name; `alarms` are in the order in which they were raised.
    """

    boot: int
    seq: int
    at_us: int
    zones: tuple[tuple[str, ZoneReport], ...]
    alarms: tuple[ActiveAlarm, ...]


Message = Event | Snapshot


def zones_named(message: Message) -> tuple[str, ...]:
    """Return every zone that a message names, each to be known to the plant model."""
    if isinstance(message, Snapshot):
        return tuple(zone for zone, _ in message.zones) + tuple(a.zone for a in message.alarms if a.zone is not None)
    zone = getattr(message, "zone", None)
    return () if zone is None else (zone,)
