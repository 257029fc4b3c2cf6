"""A slow reading of what the contract says of activities and panel passes; it shares no code with the service.

A begin ends the activity before it; an end of another activity changes nothing; a snapshot that tells of another activity, program
or panel ends it; a new boot ends it where the boot before was last heard of. Each question reads all messages again.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from tests.oracle.ledger import fasteners, named_zones
from tests.oracle.record import Message, Record


@dataclass(frozen=True)
class Activity:
    """One activity of a zone; `ended_by` is event, next, snapshot, boot, or open where it is not over."""

    zone: str
    activity: str
    program: str | None
    panel: str | None
    planned: tuple[int, int] | None
    start_us: int
    end_us: int
    begun_by: str
    ended_by: str
    outcome: str | None

    @property
    def is_end_told(self) -> bool:
        return self.ended_by in ("event", "next")


@dataclass(frozen=True)
class Pass:
    """One panel's way through a zone; `over_us`: when it was seen to leave, or another one came."""

    zone: str
    panel: str | None
    program: str | None
    planned: tuple[int, int] | None
    start_us: int
    end_us: int
    outcome: str
    is_whole: bool
    over_us: int | None

    def is_over_in(self, start_us: int, end_us: int) -> bool:
        """Whether it belongs to [start_us, end_us)."""
        return self.over_us is not None and start_us <= self.over_us < end_us


def record_of(messages: Iterable[Message]) -> Record:
    """The messages in their order, with the service's default limits."""
    return Record(messages, None, 30_000_000, 60_000_000)


class Zone:
    """One zone of a record; a *beginning* is a place at which an activity begins."""

    def __init__(self, record: Record, zone: str) -> None:
        self.record, self.zone = record, zone
        self.beginnings: dict[int, bool] = {}

    def entry(self, place: int) -> Message | None:
        """What a message says the zone does from its place on; None where it says nothing of the kind."""
        message = self.record.messages[place]
        if message["type"] == "snapshot":
            listed: Message = message["zones"].get(self.zone, {})
            return listed if "activity" in listed else None
        is_begin = message["type"] == "activity" and message["phase"] == "begin" and message["zone"] == self.zone
        return message if is_begin else None

    def is_beginning(self, place: int) -> bool:
        if place not in self.beginnings:
            self.beginnings[place] = self._begins(place)
        return self.beginnings[place]

    def _begins(self, place: int) -> bool:
        if self.entry(place) is None:
            return False
        if not self.record.is_snapshot(place):
            return True
        earlier = next((p for p in reversed(range(place)) if self.is_beginning(p)), None)
        return earlier is None or self.ending(earlier, place + 1) is not None

    def ending(self, beginning: int, before: int) -> tuple[int, str] | None:
        """The first place before `before` at which what began is over, and by what."""
        for place in range(beginning + 1, before):
            how = self._ends(beginning, place)
            if how is not None:
                return place, how
        return None

    def _ends(self, beginning: int, place: int) -> str | None:
        begun, message = self.entry(beginning), self.record.messages[place]
        assert begun is not None
        if message["boot"] != self.record.messages[beginning]["boot"]:
            return "boot"
        if message["type"] == "snapshot":
            return None if self._tells_of(message["zones"].get(self.zone, {}), begun) else "snapshot"
        if message["type"] != "activity" or message["zone"] != self.zone:
            return None
        if message["phase"] == "begin":
            return "next"
        return "event" if message["activity"] == begun["activity"] else None

    def _tells_of(self, listed: Message, begun: Message) -> bool:
        if listed.get("activity") != begun["activity"]:
            return False
        return all(name not in listed or listed[name] == begun.get(name) for name in ("program", "panel"))

    def activities(self) -> list[Activity]:
        """All activities; one that a snapshot began and that was over in the same instant is none."""
        found = [self._activity(place) for place in self.record.places() if self.is_beginning(place)]
        return [one for one in found if one.begun_by == "event" or one.start_us < one.end_us or one.ended_by == "open"]

    def _activity(self, beginning: int) -> Activity:
        begun, booked_us = self.entry(beginning), self.record.booked_us
        assert begun is not None
        place, how = self.ending(beginning, len(booked_us)) or (len(booked_us) - 1, "open")
        planned = begun.get("planned")
        return Activity(
            self.zone,
            begun["activity"],
            begun.get("program"),
            begun.get("panel"),
            (planned["automatic"], planned["manual"]) if planned else None,
            booked_us[beginning],
            booked_us[place - 1] if how == "boot" else booked_us[place],
            "snapshot" if self.record.is_snapshot(beginning) else "event",
            how,
            self.record.messages[place].get("outcome") if how == "event" else None,
        )


def activities(messages: Iterable[Message]) -> dict[str, list[Activity]]:
    """The activities of each zone that a message names."""
    record = record_of(messages)
    return {zone: Zone(record, zone).activities() for zone in named_zones(record.messages)}


def passes(messages: Iterable[Message], at_us: int | None = None) -> dict[str, list[Pass]]:
    """The passes of each zone, as they stood at an instant: nothing that happened then or later is known."""
    found = activities(messages)
    if at_us is not None:
        found = {zone: standing(ones, at_us) for zone, ones in found.items()}
    return {zone: passes_of(ones) for zone, ones in found.items()}


def standing(found: Sequence[Activity], at_us: int) -> list[Activity]:
    """The activities that had begun before an instant; one that was not over then is open."""
    begun = [one for one in found if one.start_us < at_us]
    return [one if one.end_us < at_us else replace(one, end_us=at_us, ended_by="open", outcome=None) for one in begun]


def made(messages: Iterable[Message], at_us: int) -> tuple[dict[Pass, Counter[str]], Counter[Pass]]:
    """The fasteners of each pass by result, and how many made in its time name another panel, as it stood at an instant.

    Each fastener is asked which pass it is of: that in whose time it was made, unless it names another panel; else the next one,
    if that one is of the panel that it names.
    """
    record, found = record_of(messages), passes(messages, at_us)
    own, others = {one: Counter[str]() for ones in found.values() for one in ones}, Counter[Pass]()
    for fastener in fasteners(record):
        begun = [one for one in found[fastener.zone] if one.start_us <= fastener.at_us]
        if fastener.at_us >= at_us or not begun:
            continue
        last, following = begun[-1], found[fastener.zone][len(begun) :]
        is_in = last.over_us is None or fastener.at_us <= last.end_us
        if is_in and (None in (last.panel, fastener.panel) or last.panel == fastener.panel):
            own[last][fastener.result] += 1
            continue
        others[last] += is_in
        if following and fastener.panel is not None and fastener.panel == following[0].panel:
            own[following[0]][fastener.result] += 1
    return own, others


def passes_of(found: Sequence[Activity]) -> list[Pass]:
    """The passes of a zone from its activities: cut wherever the panel must be another one."""
    groups: list[list[Activity]] = []
    for one in found:
        if not groups or is_another(groups[-1], one):
            groups.append([])
        groups[-1].append(one)
    followed = [after[0].start_us for after in groups[1:]]
    each = zip(groups, [*followed, None], strict=False)
    return [pass_of(group, followed_us) for group, followed_us in each if not only_setup(group)]


def is_another(group: Sequence[Activity], now: Activity) -> bool:
    """Whether another panel is in the zone from an activity on than in those before it."""
    before = group[-1]
    names = [one.panel for one in group if one.panel is not None]
    is_same_name = bool(names) and names[-1] == now.panel
    if names and now.panel is not None and not is_same_name:
        return True
    goes_on = (
        before.activity == now.activity and not before.is_end_told and (is_same_name or now.begun_by == "snapshot")
    )
    if now.activity == "load":
        return not goes_on and not (is_same_name and before.activity == "load")
    if before.activity == "unload":
        return now.activity != "unload" or before.is_end_told
    return now.activity == before.activity == "process" and not is_same_name and not goes_on


def only_setup(group: Sequence[Activity]) -> bool:
    return {one.activity for one in group} == {"setup"}


def pass_of(group: list[Activity], followed_us: int | None) -> Pass:
    """A pass of activities that belong together; what was set up last for no named panel was for the next one."""
    while followed_us is not None and group[-1].activity == "setup" and group[-1].panel is None:
        group = group[:-1]
    has_gone = group[-1].activity == "unload" and group[-1].is_end_told
    has_come = group[0].activity == "load" and group[0].begun_by == "event"
    worked = [one for one in group if one.activity == "process"]
    outcome = (worked[-1].outcome or "ended") if worked and worked[-1].is_end_told else "unfinished"
    plans = [one.planned for one in group if one.planned is not None]
    programs = [one.program for one in group if one.program is not None]
    panels = [one.panel for one in group if one.panel is not None]
    over_us = group[-1].end_us if has_gone else followed_us
    return Pass(
        group[0].zone,
        panels[-1] if panels else None,
        programs[-1] if programs else None,
        plans[-1] if plans else None,
        group[0].start_us,
        group[-1].end_us,
        outcome if over_us is not None else "present",
        has_come and has_gone,
        over_us,
    )
