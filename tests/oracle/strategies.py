"""Hypothesis strategies for the messages of one cell with two zones: a controller's, disturbed ones, and arbitrary ones."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st

from tests.oracle.contents import (
    ACTIVITIES,
    CAUSES,
    UNKNOWN_TYPES,
    activities,
    alarm_zones,
    arbitrary_contents,
    codes,
    fastener_fields,
    listed_alarms,
    listed_zones,
    planned_counts,
    severities,
    unsettled_alarms,
    unsettled_zones,
    verdict_fields,
    zone_names,
)
from tests.oracle.controller import ZONES, Controller

BASE_US = 1_768_024_800_000_000  # 2026-01-10T06:00:00Z
SECOND_US = 1_000_000
OFFSETS_MIN = (0, 60, 120, 345, -210, -720, 840)

boot_rises = st.sampled_from((1, 1, 2, 86_400))


@dataclass(frozen=True)
class Disturbances:
    """What may go wrong between a cell and its messages; each is off unless set.

    `unsettled` adds what decision 0001 leaves open: different snapshots of one (boot, seq, at), a program without an
    activity in a snapshot, an alarm listed twice in one.
    """

    dropped_events: bool = False
    dropped_snapshots: bool = False
    unlisted_zones: bool = False
    small_clock_steps: bool = False
    large_clock_steps: bool = False
    contradicting_snapshots: bool = False
    stray_ends: bool = False
    equal_times: bool = False
    offsets: bool = False
    unsettled: bool = False


NONE = Disturbances()
ALL = Disturbances(*(True,) * 9)
disturbances = st.builds(Disturbances, *(st.booleans(),) * 9)


@dataclass(frozen=True)
class Stream:
    """Messages in contract form as they were sent, less the dropped; `link_down_us` as the oracle takes it.

    `truth` has the true time and each zone's state and reason after each message, the dropped among them.
    """

    messages: list[dict[str, Any]]
    link_down_us: int | None
    truth: list[tuple[int, dict[str, tuple[str, str]]]]


def rfc3339(instant: int, offset_min: int | None = None) -> str:
    """Microseconds since the Unix epoch as RFC 3339; in UTC as `Z`, or with a numeric offset and no idle zeros."""
    utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=instant)
    if offset_min is None:
        return utc.isoformat().replace("+00:00", "Z")
    text = utc.astimezone(timezone(timedelta(minutes=offset_min))).isoformat()
    head, fraction, offset = text[:19], text[19:-6].rstrip("0"), text[-6:]
    return head + fraction + offset


@st.composite
def pauses_us(draw: st.DrawFn, shortest_us: int) -> int:
    """The time between two messages, from nothing to minutes, whole seconds often."""
    shortest = st.just(shortest_us)
    tens = st.sampled_from((1, 2, 5, 9, 10, 30, 60)).map(lambda seconds: seconds * SECOND_US)
    return draw(
        st.one_of(shortest, tens, st.integers(shortest_us, 12 * SECOND_US), st.integers(30, 300).map(_seconds_us))
    )


def _seconds_us(seconds: int) -> int:
    return seconds * SECOND_US


def _orderly(draw: st.DrawFn, cell: Controller) -> None:
    """Let the controller do one thing that it may do now."""
    zone = draw(zone_names)
    condition = cell.zones[zone]
    choices = ["begin", "begin", "wait", "fastener", "fastener", "alarm", "snapshot", "snapshot", "verdict", "unknown"]
    choices += ["end", "end"] * bool(condition.activity) + ["resume"] * bool(condition.wait)
    choices += ["clear", "clear"] * bool(cell.alarms) + ["reboot"] * (len(cell.messages) > 8)
    match draw(st.sampled_from(choices)):
        case "begin":
            cell.begin_activity(zone, draw(activities()), draw(st.one_of(st.none(), planned_counts)))
        case "end":
            cell.end_activity(
                zone, condition.activity["activity"], draw(st.sampled_from((None, "completed", "aborted")))
            )
        case "wait":
            cell.begin_wait(zone, draw(st.sampled_from(CAUSES)))
        case "resume" if condition.wait:
            cell.end_wait(zone, condition.wait)
        case "alarm":
            cell.raise_alarm(
                draw(alarm_zones), draw(codes), draw(severities), draw(st.sampled_from((None, "invented")))
            )
        case "clear":
            where, code = draw(st.sampled_from(sorted(cell.alarms, key=str)))
            cell.clear_alarm(where, code, cell.alarms[where, code])
        case "fastener":
            cell.make_fastener(zone, **draw(fastener_fields))
        case "verdict":
            cell.event("verdict", **draw(verdict_fields))
        case "unknown":
            cell.event(draw(st.sampled_from(UNKNOWN_TYPES)), zone=draw(st.one_of(st.none(), zone_names)), depth=3)
        case "snapshot":
            cell.snapshot()
        case "reboot":
            cell.reboot(draw(boot_rises))
            cell.snapshot()


def _disorderly(draw: st.DrawFn, cell: Controller, allowed: Disturbances) -> None:
    """Let one of the allowed disturbances happen; with none allowed, nothing does."""
    choices = ["stray"] * allowed.stray_ends + ["contradict"] * allowed.contradicting_snapshots
    choices += ["unlist"] * allowed.unlisted_zones + ["unsettled"] * allowed.unsettled
    choices += ["small"] * allowed.small_clock_steps + ["large"] * allowed.large_clock_steps
    match draw(st.sampled_from(choices)) if choices else None:
        case "stray":
            if draw(st.booleans()):
                cell.end_activity(draw(zone_names), draw(st.sampled_from(ACTIVITIES)))
            else:
                cell.end_wait(draw(zone_names), draw(st.sampled_from(CAUSES)))
        case "contradict":
            cell.snapshot({zone: {} for zone in ZONES} | draw(listed_zones), draw(listed_alarms))
        case "unlist":
            gone = draw(zone_names)
            cell.snapshot({zone: condition.listing() for zone, condition in cell.zones.items() if zone != gone})
        case "unsettled":
            cell.snapshot(draw(unsettled_zones), draw(unsettled_alarms))
        case "small":
            cell.clock_error_us += draw(st.integers(-59 * SECOND_US, 59 * SECOND_US))
        case "large":
            edge = st.sampled_from((-60 * SECOND_US, -60 * SECOND_US - 1))
            step_us = draw(
                st.one_of(edge, st.integers(-1800, -61).map(_seconds_us), st.integers(61, 1800).map(_seconds_us))
            )
            cell.clock_error_us = 0 if cell.clock_error_us else step_us


@st.composite
def streams(draw: st.DrawFn, allowed: Disturbances | None = None, max_steps: int = 48) -> Stream:
    """What a controller sends over some boots, with the allowed disturbances; any of them where none are named."""
    allowed = draw(disturbances) if allowed is None else allowed
    cell = Controller(draw(st.sampled_from((0, 1, 1_768_000_000))), BASE_US)
    cell.snapshot()
    for _ in range(draw(st.integers(0, max_steps))):
        cell.clock_us += draw(pauses_us(0 if allowed.equal_times else 1))
        if allowed != replace(NONE, offsets=allowed.offsets) and draw(st.integers(0, 5)) == 5:
            _disorderly(draw, cell, allowed)
        else:
            _orderly(draw, cell)
    kept = cell.messages if allowed.unsettled else _settled(cell.messages)
    kept = [message for message in kept if not _is_dropped(draw, message, allowed)]
    return Stream(draw(_rendered(kept, allowed.offsets)), draw(links_down_us(kept)), cell.truth)


def _is_dropped(draw: st.DrawFn, message: dict[str, Any], allowed: Disturbances) -> bool:
    may_drop = allowed.dropped_snapshots if message["type"] == "snapshot" else allowed.dropped_events
    return may_drop and draw(st.integers(0, 5)) == 5


def _settled(messages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The messages less those snapshots that repeat another's (boot, seq, at): only their content would order them."""
    events = [message for message in messages if message["type"] != "snapshot"]
    snapshots = {(m["boot"], m["seq"], m["at"]): m for m in messages if m["type"] == "snapshot"}
    return [message for message in messages if message in events or message in snapshots.values()]


@st.composite
def _rendered(draw: st.DrawFn, messages: list[dict[str, Any]], offsets: bool) -> list[dict[str, Any]]:
    """The messages with `at` as RFC 3339, in offsets of their own where asked."""
    offset_min = st.sampled_from(OFFSETS_MIN) if offsets else st.none()
    return [{**message, "at": rfc3339(message["at"], draw(offset_min))} for message in messages]


def links_down_us(messages: list[dict[str, Any]]) -> st.SearchStrategy[int | None]:
    """No last will, or one that arrives around the last message, early ones too."""
    latest_us = max((message["at"] for message in messages), default=BASE_US)
    return st.one_of(st.none(), st.integers(latest_us - 5 * SECOND_US, latest_us + 45 * SECOND_US))


@st.composite
def arbitrary_streams(draw: st.DrawFn, max_size: int = 40) -> Stream:
    """Messages that each keep the contract and together need make no sense; no truth is known of them."""
    boot, seq, at_us = draw(st.integers(0, 3)), 0, BASE_US
    size = draw(st.integers(0, max_size))
    messages: list[dict[str, Any]] = []
    for body in draw(st.lists(arbitrary_contents(), min_size=size, max_size=size)):
        if draw(st.integers(0, 11)) == 11:
            boot, seq = boot + 1, 0
        skipped = draw(st.sampled_from((0,) * 11 + (1, 3)))
        seq += skipped if body["type"] == "snapshot" else skipped + 1
        at_us += draw(st.one_of(pauses_us(0), pauses_us(0), pauses_us(0), st.integers(-90, 90).map(_seconds_us)))
        messages.append({"v": 1, "boot": boot, "seq": seq, "at": at_us, **body})
    kept = _settled(messages)
    return Stream(draw(_rendered(kept, True)), draw(links_down_us(kept)), [])


def any_streams() -> st.SearchStrategy[Stream]:
    """Every kind of stream that the ledger must agree with the oracle on."""
    return st.one_of(streams(), streams(ALL), arbitrary_streams())


@st.composite
def arrivals(draw: st.DrawFn, messages: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same messages in another order, some of them more than once."""
    again = draw(st.lists(st.sampled_from(messages), max_size=8)) if messages else []
    return draw(st.permutations([*messages, *again]))
