"""What a simulated plant is made of: immutable descriptions of cells, panels, people, failures and misbehaviour."""

from dataclasses import dataclass, field
from enum import Enum
from random import Random

from zoneledger_sim.durations import Duration, Fixed

_NO_TIME = Fixed(0)
_DOWN = Fixed(20)


class Moment(Enum):
    """Where in a zone's cycle people or panels may be missing."""

    BEFORE_UNLOAD = "before_unload"
    BEFORE_LOAD = "before_load"
    BEFORE_PROCESS = "before_process"


@dataclass(frozen=True, slots=True)
class Step:
    """`count` fasteners of one item and operation; `rework` and `reject` are ratios of the first results.

    `standard_s` is the ideal seconds for one, as the plant document declares it; None leaves it unrated.
    """

    operation: str
    count: int
    head: Duration
    item: str | None = None
    rework: float = 0.0
    reject: float = 0.0
    standard_s: float | None = None


@dataclass(frozen=True, slots=True)
class Program:
    """What the cell does to one kind of panel; `manual` fasteners are left for the hand."""

    program: str
    steps: tuple[Step, ...]
    manual: int = 0

    def __post_init__(self) -> None:
        if self.automatic < 1:
            raise ValueError(f"program {self.program!r} makes no fastener")

    @property
    def automatic(self) -> int:
        """How many fasteners the cell is meant to make."""
        return sum(step.count for step in self.steps)


@dataclass(frozen=True, slots=True)
class PanelWait:
    """A wait that befalls a panel with the ratio `chance`; without a `reason` the zone stands and says nothing."""

    reason: str | None
    moment: Moment
    chance: float
    lasting: Duration


@dataclass(frozen=True, slots=True)
class HeadWait:
    """A wait before each `every`-th fastener of the head, or of one item: worn tools, empty feeders."""

    reason: str
    every: int
    lasting: Duration
    item: str | None = None


@dataclass(frozen=True, slots=True)
class AlarmPlan:
    """An alarm that comes `between` after it was last cleared, in each zone or once for the whole cell."""

    code: str
    severity: str
    between: Duration
    lasting: Duration
    whole_cell: bool = False
    subsystem: str | None = None
    text: str | None = None


@dataclass(frozen=True, slots=True)
class Inspection:
    """Later verdicts: `share` of all fasteners is looked at, and `mended` of the reworked ones become good."""

    after: Duration
    share: float = 0.0
    rework: float = 0.0
    reject: float = 0.0
    mended: float = 0.0
    station: str = "inspection-1"


@dataclass(frozen=True, slots=True)
class ClockPlan:
    """A controller's clock: it runs `ahead_s` of true time (behind, if negative) and is told with `timezone`'s offsets.

    For `unset_s` after each start of the controller it reads as if it had started in 1970, until the network sets it.
    """

    ahead_s: float = 0.0
    unset_s: float = 0.0
    timezone: str = "UTC"


@dataclass(frozen=True, slots=True)
class CellPlan:
    """One cell: zones that share a head, and all that may happen there.

    `load` is the time to unload the former panel and load the next; `unload_share` of it is unloading.
    `transfer` is the head's way to another zone. A program lasts for `batch` panels.
    """

    cell: str
    zones: tuple[str, ...]
    programs: tuple[Program, ...]
    load: Duration
    unload_share: float = 0.4
    transfer: Duration = _NO_TIME
    setup: Duration = _NO_TIME
    batch: int = 1
    abort_chance: float = 0.0
    panel_waits: tuple[PanelWait, ...] = ()
    head_waits: tuple[HeadWait, ...] = ()
    alarms: tuple[AlarmPlan, ...] = ()
    inspection: Inspection | None = None
    clock: ClockPlan = ClockPlan()

    def __post_init__(self) -> None:
        codes = [alarm.code for alarm in self.alarms]
        if len(set(codes)) < len(codes):
            raise ValueError(f"cell {self.cell!r} has two alarms with the same code: {sorted(codes)}")
        if not self.zones or not self.programs:
            raise ValueError(f"cell {self.cell!r} needs a zone and a program")


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """A shift that the plant document declares, every day; it does not bind the simulated people."""

    shift: str
    starts: str
    ends: str
    meal: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Misbehaviour:
    """What goes wrong between a machine and its listener; all of it is off unless asked for.

    `duplicate`, `reorder`, `lose` and `late` are ratios of messages; `reorder_s` and `late_s` are the longest times
    that such a message is held back. A reboot lasts `down`; a clock step sets the controller's clock off by up to
    `clock_step_s`, either way.
    """

    duplicate: float = 0.0
    reorder: float = 0.0
    reorder_s: float = 30.0
    lose: float = 0.0
    late: float = 0.0
    late_s: float = 1800.0
    reboots_per_hour: float = 0.0
    down: Duration = _DOWN
    clock_steps_per_hour: float = 0.0
    clock_step_s: float = 120.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """A site's line with its cells; the same scenario and start give the same messages."""

    site: str
    line: str
    cells: tuple[CellPlan, ...]
    seed: int = 1
    timezone: str = "UTC"
    shifts: tuple[ShiftPlan, ...] = ()
    snapshot_s: float = 10.0
    misbehaviour: Misbehaviour = field(default_factory=Misbehaviour)

    def path(self, cell: str, zone: str | None = None) -> str:
        """Return the unit path of a cell or of one of its zones."""
        steps = (self.site, self.line, cell) if zone is None else (self.site, self.line, cell, zone)
        return "/".join(steps)

    def rng(self, purpose: str) -> Random:
        """Return the seeded source of one purpose, which no other purpose disturbs."""
        return Random(f"{self.seed}/{purpose}")
