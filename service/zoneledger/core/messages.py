"""The messages of the contract, version 1, as immutable values; instants are microseconds since the Unix epoch, UTC."""

from dataclasses import dataclass

OUTCOMES = ("completed", "aborted")
ACTIVITIES = ("process", "load", "unload", "setup")
OPERATIONS = ("drill", "fasten", "trim")
RESULTS = ("good", "rework", "reject")
SEVERITIES = ("stop", "notice")
WAITS = ("panel", "operator", "head", "fasteners", "tool", "inspection", "upstream", "downstream", "other")


@dataclass(frozen=True, slots=True)
class Planned:
    """How many fasteners of a panel the cell is meant to set itself, and how many are left for the hand."""

    automatic: int
    manual: int


@dataclass(frozen=True, slots=True)
class Event:
    """A message that takes the place (`boot`, `seq`) in its cell's sequence; `at_us` is the controller's time."""

    boot: int
    seq: int
    at_us: int


@dataclass(frozen=True, slots=True)
class ActivityBegun(Event):
    zone: str
    activity: str
    program: str | None
    panel: str | None
    planned: Planned | None


@dataclass(frozen=True, slots=True)
class ActivityEnded(Event):
    zone: str
    activity: str
    outcome: str | None


@dataclass(frozen=True, slots=True)
class FastenerMade(Event):
    """One position finished; `seconds` is the head's time for it, in seconds."""

    zone: str
    operation: str
    result: str
    item: str | None
    position: str | None
    panel: str | None
    program: str | None
    seconds: float | None


@dataclass(frozen=True, slots=True)
class AlarmRaised(Event):
    """`zone` is None where the whole cell is meant."""

    zone: str | None
    code: str
    severity: str
    subsystem: str | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmCleared(Event):
    zone: str | None
    code: str


@dataclass(frozen=True, slots=True)
class WaitBegun(Event):
    zone: str
    cause: str


@dataclass(frozen=True, slots=True)
class WaitEnded(Event):
    zone: str
    cause: str


@dataclass(frozen=True, slots=True)
class VerdictGiven(Event):
    """A later quality decision on the last fastener made at `position` of `panel`."""

    panel: str
    position: str
    result: str
    zone: str | None = None


@dataclass(frozen=True, slots=True)
class UnknownEvent(Event):
    """An event of a type that this version does not know: it has its place, and no other effect."""

    type: str
    zone: str | None = None


@dataclass(frozen=True, slots=True)
class ZoneReport:
    """What a snapshot says of one zone; None is nothing of the kind, `made` None is not told."""

    activity: str | None
    program: str | None
    panel: str | None
    wait: str | None
    made: int | None


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    zone: str | None
    code: str
    severity: str


@dataclass(frozen=True, slots=True)
class Snapshot:
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
