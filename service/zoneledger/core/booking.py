"""Books a cell's time: folds its messages, in the contract's order, into spans, fasteners, gaps and discrepancies."""

from copy import copy
from typing import Any, NamedTuple

from zoneledger.core import messages as m
from zoneledger.core.activities import Activities
from zoneledger.core.conditions import Condition, apply_event, apply_snapshot, contradictions
from zoneledger.core.rows import (
    EVENT_RANK,
    SNAPSHOT_RANK,
    Alarm,
    Booked,
    Discrepancy,
    Fastener,
    Gap,
    Place,
    Verdict,
    ZoneSpan,
)
from zoneledger.core.spans import Span
from zoneledger.core.states import CLOCK, GAP, NO_SNAPSHOT, NOT_REPORTED, REBOOT, SILENCE, UNKNOWN, Standing

#: Booked time before any message, 2020-01-01T00:00:00Z: a clock that reads less was never set.
CLOCK_FLOOR_US = 1_577_836_800_000_000


#: The version of the rules by which messages become rows. It rises when they change, and ledgers are then derived anew.
FOLD = 1


class Limits(NamedTuple):
    """How long evidence reaches past the last message, and how far a clock may step back and still be believed."""

    silence_us: int = 30_000_000
    clock_tolerance_us: int = 60_000_000


Open = tuple[int, str, str]
"""An open span: its start, state and reason."""


class Booking:
    """The fold's state after a cell's messages up to a place, from which it goes on.

    Equal states (`to_json`) followed by the same messages give the same rows.
    """

    def __init__(self, limits: Limits = Limits()) -> None:
        self.limits = limits
        self.boot: int | None = None
        self.seq = 0
        self.rank = EVENT_RANK
        self.at_us = 0
        self.booked_us = CLOCK_FLOOR_US
        self.lost: str | None = NO_SNAPSHOT
        self.believed = True
        self.condition = Condition()
        self.activities = Activities()
        self.made: dict[str, list[int] | None] = {}
        self.complete = False
        self.open: dict[str, Open] = {}
        self.stale = True
        self.booked = Booked()

    @property
    def place(self) -> Place | None:
        """The place of the last message, or None before any."""
        return None if self.boot is None else Place(self.boot, self.seq, self.rank)

    @property
    def _place(self) -> Place:
        assert self.boot is not None  # set by `add` before anything is booked at it
        return Place(self.boot, self.seq, self.rank)

    def take_booked(self) -> Booked:
        """Return the rows added since the last call."""
        booked, self.booked = self.booked, Booked()
        return booked

    def add(self, message: m.Message) -> None:
        """Book the next message in the order."""
        if type(message) is m.FastenerMade and self._just_goes_on(message):
            if self.stale:
                self._reach(message.at_us)
            self.booked_us = message.at_us
            self.seq, self.at_us, self.rank = message.seq, message.at_us, EVENT_RANK
            self._add_fastener(message)
            return
        is_event = isinstance(message, m.Event)
        self._find_gap(message, message.seq - 1 if is_event else message.seq)
        believed = message.at_us >= self.booked_us - self.limits.clock_tolerance_us
        behind_us = self.booked_us - message.at_us
        self._reach(max(message.at_us, self.booked_us))
        self.boot, self.seq, self.at_us = message.boot, message.seq, message.at_us
        self.rank = EVENT_RANK if is_event else SNAPSHOT_RANK
        number = len(self.booked.discrepancies)
        if behind_us > 0:
            self._flag_clock(behind_us, believed)
        if believed != self.believed:
            self.believed, self.stale = believed, True
        if isinstance(message, m.Event):
            self._add_event(message)
        else:
            self._add_snapshot(message)
        self._number_from(number)

    def _just_goes_on(self, event: m.Event) -> bool:
        """Tell whether an event is the next one of its boot, at a time that is believed: nothing is to be noted but itself."""
        follows = event.seq == self.seq + 1 and event.boot == self.boot
        return follows and self.believed and event.at_us >= self.booked_us

    def _number_from(self, first: int) -> None:
        rows = self.booked.discrepancies
        for i in range(first + 1, len(rows)):
            rows[i] = rows[i]._replace(number=i - first)

    def _find_gap(self, message: m.Message, follows: int) -> None:
        if message.boot == self.boot and follows == self.seq:
            return
        known_seq = self.seq if message.boot == self.boot else 0
        since_us = None if self.boot is None else self.booked_us
        place = Place(message.boot, message.seq, EVENT_RANK if isinstance(message, m.Event) else SNAPSHOT_RANK)
        if follows > known_seq:
            until_us = max(message.at_us, self.booked_us)
            self.booked.gaps.append(Gap(place, known_seq + 1, follows, since_us, until_us))
        if message.boot != self.boot:
            self._start_boot(place, first=self.boot is None, complete=follows == 0)
        elif self.lost != NO_SNAPSHOT:
            self.lost = GAP
        self.stale = True

    def _start_boot(self, place: Place, *, first: bool, complete: bool) -> None:
        """Begin a boot; of the first one known, fasteners are counted only if it is known from its start."""
        self.condition.clear()
        self.booked.activities += self.activities.forget(place, self.booked_us)
        self.complete = complete or not first
        self.made = {}
        if not first and self.lost != NO_SNAPSHOT:
            self.lost = REBOOT

    def _reach(self, booked_us: int) -> None:
        """Book the time up to `booked_us` by what has held since the last message."""
        if booked_us == self.booked_us:
            return
        if self.stale:
            self._restate()
            self.stale = False
        self.booked_us = booked_us

    def _restate(self) -> None:
        """Close each open span whose state or reason is another one from now on, and open its next."""
        standings = self._standings()
        for unit in sorted(self.open.keys() | standings.keys()):
            now = standings.get(unit) or (UNKNOWN, self._why_unknown())
            before = self.open.get(unit)
            if before is None:
                if now[0] != UNKNOWN:
                    self.open[unit] = (self.booked_us, *now)
            elif before[1:] != now:
                self.booked.spans.append(ZoneSpan(unit, Span(before[0], self.booked_us, *before[1:])))
                self.open[unit] = (self.booked_us, *now)

    def _standings(self) -> dict[str, Standing]:
        return {} if self.lost is not None or not self.believed else self.condition.standings()

    def _why_unknown(self) -> str:
        if self.lost is not None:
            return self.lost
        return NOT_REPORTED if self.believed else CLOCK

    def _flag_clock(self, behind_us: int, believed: bool) -> None:
        kind = "clock_back" if believed else "clock_not_believed"
        self._flag(kind, "", f"the controller's time was {behind_us / 1e6:g} s below the booked time before it")

    def _flag(self, kind: str, zone: str, detail: str, unseen: int = 0) -> None:
        self.booked.discrepancies.append(Discrepancy(self._place, 0, self.booked_us, kind, zone, detail, unseen))

    def _add_event(self, event: m.Event) -> None:
        if isinstance(event, m.FastenerMade):
            self._add_fastener(event)
            return
        if isinstance(event, m.VerdictGiven):
            self.booked.verdicts.append(Verdict(event.boot, event.seq, event.panel, event.position, event.result))
            return
        if isinstance(event, m.UnknownEvent):
            return
        self._add_to_rows(event)
        contradicted = apply_event(self.condition, event)
        self.stale = True
        if contradicted is not None:
            self._flag("not_present", getattr(event, "zone", None) or "", contradicted)

    def _add_to_rows(self, event: m.Event) -> None:
        """Note what rows keep of an event beside the spans that follow from it."""
        match event:
            case m.ActivityBegun():
                self.booked.activities += self.activities.begin(self._place, self.booked_us, event)
            case m.ActivityEnded():
                self.booked.activities += self.activities.end(self._place, self.booked_us, event)
            case m.AlarmRaised():
                told = (event.zone or "", event.code, event.severity, event.subsystem, event.text)
                self.booked.alarms.append(Alarm(event.boot, event.seq, self.booked_us, *told))

    def _add_fastener(self, event: m.FastenerMade) -> None:
        name = event.zone
        zone = self.condition.zones.get(name) or self.condition.zone(name)
        count = self.made.get(name) or self._counted(name)
        if count is not None:
            count[1] += 1
        self.booked.fasteners.append(
            Fastener(
                event.boot,
                event.seq,
                self.booked_us,
                name,
                event.operation,
                event.item,
                event.program if event.program is not None else zone.program,
                event.panel if event.panel is not None else zone.panel,
                event.position,
                event.result,
                event.seconds,
            )
        )

    def _counted(self, zone: str) -> list[int] | None:
        """Return [`made` of the last snapshot, fasteners received since], or None where there is nothing to compare with."""
        if self.complete and zone not in self.made:
            self.made[zone] = [0, 0]
        return self.made.get(zone)

    def _add_snapshot(self, snapshot: m.Snapshot) -> None:
        contradicted = contradictions(self.condition, snapshot) if self.lost is None else []
        for detail in contradicted:
            self._flag("snapshot_differs", "", detail)
        self._compare_made(snapshot)
        self.booked.activities += self.activities.compare(self._place, self.booked_us, snapshot)
        if self.lost is not None or contradicted or not self.condition.lists(snapshot):
            apply_snapshot(self.condition, snapshot)
            self.lost, self.stale = None, True

    def _compare_made(self, snapshot: m.Snapshot) -> None:
        """Report where `made` has risen by another number than the fasteners received since the last one."""
        told: dict[str, list[int] | None] = dict.fromkeys(self.made)
        for zone, report in snapshot.zones:
            if report.made is None:
                told[zone] = None
                continue
            count = self._counted(zone)
            if count is not None and report.made != sum(count):
                self._flag_unseen(zone, report.made - sum(count))
            told[zone] = [report.made, 0]
        self.made = told

    def _flag_unseen(self, zone: str, unseen: int) -> None:
        more = f"{unseen} more than the" if unseen > 0 else f"{-unseen} fewer than the"
        self._flag("unseen", zone, f"the controller counts {more} fasteners received", unseen)

    def reach_us(self, link_down_us: int | None) -> int:
        """Return where evidence ends: 30 s (a limit) after the last message, or at the arrival of a `link: down` after it."""
        reach_us = self.booked_us + self.limits.silence_us
        if link_down_us is not None and link_down_us >= self.booked_us:
            reach_us = min(reach_us, link_down_us)
        return reach_us

    def open_spans(self, link_down_us: int | None, until_us: int) -> list[ZoneSpan]:
        """Return the spans from the last closed ones on, up to `until_us`; unknown from where evidence ends."""
        if self.boot is None:
            return []
        until_us = max(until_us, self.booked_us)
        reach_us = self.reach_us(link_down_us)
        later = copy(self)
        later.open, later.booked = dict(self.open), Booked()  # all else that changes is a plain value
        later._reach(min(reach_us, until_us))
        if until_us > reach_us:
            later.lost, later.stale = later.lost or SILENCE, True
            later._reach(until_us)
        still = [ZoneSpan(unit, Span(start, until_us, state, why)) for unit, (start, state, why) in later.open.items()]
        return later.booked.spans + [one for one in still if one.span.start_us < until_us]

    def to_json(self) -> list[Any]:
        """Return the state as JSON values, the same for equal states."""
        place = [self.boot, self.seq, self.rank, self.at_us, self.booked_us]
        made = sorted(self.made.items())
        opened = [[unit, *span] for unit, span in sorted(self.open.items())]
        flags = [self.lost, self.believed, self.complete, self.stale]
        return [
            place,
            flags,
            self.condition.to_json(),
            [[zone, count] for zone, count in made],
            opened,
            self.activities.to_json(),
        ]

    @classmethod
    def from_json(cls, value: list[Any], limits: Limits = Limits()) -> "Booking":
        """Return the state that `to_json` gave."""
        booking = cls(limits)
        place, flags, condition, made, opened, *activities = value  # schema 0003 and before had no activities
        booking.boot, booking.seq, booking.rank, booking.at_us, booking.booked_us = place
        booking.lost, booking.believed, booking.complete, booking.stale = flags
        booking.condition = Condition.from_json(condition)
        booking.made = {zone: None if count is None else list(count) for zone, count in made}
        booking.activities = Activities(*activities)
        booking.open = {unit: (start, state, why) for unit, start, state, why in opened}
        return booking
