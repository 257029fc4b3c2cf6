"""One cell's messages in order, and what decision 0001 says of each place among them."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

Message = Mapping[str, Any]

EARLIEST_US = 1_577_836_800_000_000  # 2020-01-01T00:00:00Z: booked time before the first message (0001, 2)
FOREVER_US = 1 << 62


@dataclass(frozen=True)
class Alarm:
    """An active alarm; without a zone it is the whole cell's."""

    zone: str | None
    code: str
    severity: str


def instant_us(at: str) -> int:
    """Microseconds since the Unix epoch of an RFC 3339 time with any offset."""
    return (datetime.fromisoformat(at.upper()) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def content(message: Message) -> str:
    """The message as canonical JSON: sorted keys, no spaces."""
    return json.dumps(message, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def in_order(messages: Iterable[Message]) -> list[Message]:
    """Each message once, in the one order of decision 0001; raises ValueError where two events share (boot, seq)."""
    once = list({content(message): message for message in messages}.values())
    keys = [(message["boot"], message["seq"]) for message in once if message["type"] != "snapshot"]
    if len(keys) != len(set(keys)):
        raise ValueError("two different events with one (boot, seq): one of them was not accepted")
    return sorted(once, key=lambda m: (m["boot"], m["seq"], m["type"] == "snapshot", instant_us(m["at"]), content(m)))


class Record:
    """A cell's messages in order with their booked times; each question is answered by reading all of it again.

    A *place* is an index into `messages`.
    """

    def __init__(
        self, messages: Iterable[Message], link_down_us: int | None, silence_us: int, clock_tolerance_us: int
    ) -> None:
        self.messages = in_order(messages)
        self.at_us = [instant_us(message["at"]) for message in self.messages]
        self.booked_us = [max(EARLIEST_US, *self.at_us[: place + 1]) for place in self.places()]
        self.clock_tolerance_us = clock_tolerance_us
        self.end_us = self.booked_us[-1] + silence_us if self.messages else EARLIEST_US
        if self.messages and link_down_us is not None and link_down_us >= self.booked_us[-1]:
            self.end_us = min(self.end_us, link_down_us)

    def places(self) -> range:
        return range(len(self.messages))

    def is_snapshot(self, place: int) -> bool:
        return bool(self.messages[place]["type"] == "snapshot")

    def lists(self, place: int, zone: str) -> bool:
        return self.is_snapshot(place) and zone in self.messages[place]["zones"]

    def is_believed(self, place: int) -> bool:
        before_us = self.booked_us[place - 1] if place else EARLIEST_US
        return self.at_us[place] >= before_us - self.clock_tolerance_us

    def follows(self, place: int) -> bool:
        before, message = self.messages[place - 1], self.messages[place]
        step = 0 if self.is_snapshot(place) else 1
        return bool(before["boot"] == message["boot"] and before["seq"] + step == message["seq"])

    def time_of_first(self, place: int, wanted: Callable[[int], bool]) -> int:
        """Booked time of the first wanted message at or after a place; FOREVER_US if there is none."""
        return next((self.booked_us[p] for p in self.places()[place:] if wanted(p)), FOREVER_US)

    def unknown(self, zone: str) -> Iterator[tuple[int, int]]:
        """Every [start_us, end_us) that some rule calls unknown for the zone, overlapping as they come."""
        yield -FOREVER_US, self.time_of_first(0, self.is_snapshot)
        yield self.end_us, FOREVER_US
        for place in self.places():
            if place and not self.follows(place):
                yield self.booked_us[place - 1], self.time_of_first(place, self.is_snapshot)
            if not self.is_believed(place):
                yield self.booked_us[place], self.time_of_first(place + 1, self.is_believed)
            if self.is_snapshot(place) and not self.lists(place, zone):
                yield self.booked_us[place], self.time_of_first(place + 1, lambda p: self.lists(p, zone))

    def is_known(self, zone: str, instant: int) -> bool:
        return not any(start_us <= instant < end_us for start_us, end_us in self.unknown(zone))

    def since_snapshot(self, place: int) -> tuple[Message | None, list[Message]]:
        """The boot's last snapshot up to a place (None before its first), and the events after it up to the place."""
        boot = self.messages[place]["boot"]
        of_boot = [p for p in self.places()[: place + 1] if self.messages[p]["boot"] == boot]
        snapshots = [p for p in of_boot if self.is_snapshot(p)]
        events = [self.messages[p] for p in of_boot if not snapshots or p > snapshots[-1]]
        return (self.messages[snapshots[-1]] if snapshots else None), events

    def activity(self, place: int, zone: str) -> Message:
        """The begin, or the snapshot's entry, of the zone's present activity after a place; empty if there is none."""
        return self._present(place, zone, kind="activity", name="activity", listed_as="activity")

    def wait(self, place: int, zone: str) -> str | None:
        """What the zone waits for after a place."""
        wait = self._present(place, zone, kind="wait", name="for", listed_as="wait")
        name: str | None = wait.get("for", wait.get("wait"))
        return name

    def _present(self, place: int, zone: str, *, kind: str, name: str, listed_as: str) -> Message:
        snapshot, events = self.since_snapshot(place)
        ours = [event for event in events if event["type"] == kind and event["zone"] == zone]
        begins = [number for number, event in enumerate(ours) if event["phase"] == "begin"]
        if begins:
            present, later = ours[begins[-1]], ours[begins[-1] + 1 :]
            present_name = present[name]
        else:
            present, later = (snapshot["zones"].get(zone, {}) if snapshot else {}), ours
            present_name = present.get(listed_as)
        ended = any(event[name] == present_name for event in later)
        return {} if present_name is None or ended else present

    def alarms(self, place: int) -> list[Alarm]:
        """The alarms active after a place, the first raised first."""
        snapshot, events = self.since_snapshot(place)
        listed = [{**alarm, "phase": "raise"} for alarm in snapshot["alarms"]] if snapshot else []
        mentions = listed + [event for event in events if event["type"] == "alarm"]
        active: dict[int, Alarm] = {}
        for zone, code in {(mention.get("zone"), mention["code"]) for mention in mentions}:
            own = [n for n, mention in enumerate(mentions) if (mention.get("zone"), mention["code"]) == (zone, code)]
            clears = [n for n in own if mentions[n]["phase"] == "clear"]
            raises = [n for n in own if not clears or n > clears[-1]]
            if raises:
                active[raises[0]] = Alarm(zone, code, mentions[raises[-1]]["severity"])
        return [active[n] for n in sorted(active)]

    def stops(self, place: int, zones: Iterable[str]) -> list[str]:
        """Codes of the stop alarms active after a place for any of the zones, the first raised first."""
        concerned = {None, *zones}
        return [alarm.code for alarm in self.alarms(place) if alarm.severity == "stop" and alarm.zone in concerned]

    def state(self, place: int, zone: str) -> tuple[str, str]:
        """State and reason of a zone after a place, where it is known."""
        stops, wait = self.stops(place, [zone]), self.wait(place, zone)
        activity = self.activity(place, zone).get("activity")
        if stops:
            return "fault", stops[0]
        if wait is not None:
            return "idle", wait
        if activity in ("load", "unload", "setup"):
            return "changeover", activity
        if activity == "process":
            return "running", "process"
        return "idle", "unexplained"
