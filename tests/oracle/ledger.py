"""A slow, obviously right reading of design section 5 and decision 0001 that shares no code with the service."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from tests.oracle.record import Message, Record

STATES = ("running", "fault", "changeover", "idle")  # in the order in which one wins the cell


@dataclass(frozen=True, order=True)
class Piece:
    """One state with one reason over [start_us, end_us), in microseconds since the Unix epoch."""

    start_us: int
    end_us: int
    state: str
    reason: str


@dataclass(frozen=True)
class Fastener:
    """One fastener as counted; `at_us` is its booked time, `result` the one after verdicts."""

    at_us: int
    zone: str
    operation: str
    result: str
    first_result: str
    program: str | None
    panel: str | None
    item: str | None
    position: str | None
    boot: int
    seq: int


@dataclass(frozen=True)
class Derived:
    """What follows from one cell's messages: known time only, a fastener list, missing (boot, first_seq, last_seq)."""

    zones: dict[str, list[Piece]]
    cell: list[Piece]
    fasteners: list[Fastener]
    gaps: list[tuple[int, int, int]]


def derive(
    messages: Iterable[Message],
    link_down_us: int | None = None,
    silence_us: int = 30_000_000,
    clock_tolerance_us: int = 60_000_000,
) -> Derived:
    """The ledger of one cell from its accepted messages in any order, duplicates allowed.

    `link_down_us` is the arrival of the cell's last `link: down`, microseconds since the Unix epoch.
    """
    record = Record(messages, link_down_us, silence_us, clock_tolerance_us)
    zones = named_zones(record.messages)
    known: dict[str, list[Piece]] = {zone: [] for zone in zones}
    cell = []
    for start_us, end_us in pairwise(sorted({*record.booked_us, record.end_us})):
        place = max(p for p in record.places() if record.booked_us[p] <= start_us)
        states = {zone: record.state(place, zone) for zone in zones if record.is_known(zone, start_us)}
        for zone, (state, reason) in states.items():
            known[zone].append(Piece(start_us, end_us, state, reason))
        if states:
            cell.append(Piece(start_us, end_us, *overlay(record, place, states)))
    return Derived({zone: merged(known[zone]) for zone in zones}, merged(cell), fasteners(record), gaps(record))


def named_zones(messages: Iterable[Message]) -> list[str]:
    """Every zone that a message names, wherever in it, sorted."""
    named: set[str] = set()
    for message in messages:
        named |= {message["zone"]} if "zone" in message else set()
        if message["type"] == "snapshot":
            named |= {*message["zones"], *(alarm["zone"] for alarm in message["alarms"] if "zone" in alarm)}
    return sorted(named)


def overlay(record: Record, place: int, states: Mapping[str, tuple[str, str]]) -> tuple[str, str]:
    """The cell's state and reason from those of its known zones."""
    state = next(state for state in STATES if state in {own for own, _ in states.values()})
    if state == "fault":
        return state, record.stops(place, states)[0]
    return state, next(states[zone][1] for zone in sorted(states) if states[zone][0] == state)


def merged(pieces: Sequence[Piece]) -> list[Piece]:
    """The pieces with touching ones of equal state and reason made one."""
    result: list[Piece] = []
    for piece in pieces:
        last = result[-1] if result else None
        if last and (last.end_us, last.state, last.reason) == (piece.start_us, piece.state, piece.reason):
            result[-1] = Piece(last.start_us, piece.end_us, piece.state, piece.reason)
        else:
            result.append(piece)
    return result


def fasteners(record: Record) -> list[Fastener]:
    """Every fastener in order, with the result that the last verdict on it left."""
    made = {place: made_at(record, place) for place in record.places() if record.messages[place]["type"] == "fastener"}
    results = {place: fastener.first_result for place, fastener in made.items()}
    for place in record.places():
        verdict = record.messages[place]
        if verdict["type"] == "verdict":
            named = (verdict["panel"], verdict["position"])
            earlier = [p for p in made if p < place and (made[p].panel, made[p].position) == named]
            results |= {earlier[-1]: verdict["result"]} if earlier else {}
    return [Fastener(**{**vars(fastener), "result": results[place]}) for place, fastener in made.items()]


def made_at(record: Record, place: int) -> Fastener:
    """The fastener at a place, before any verdict; its own program and panel win over the zone's activity's."""
    message = record.messages[place]
    activity = record.activity(place, message["zone"])
    return Fastener(
        at_us=record.booked_us[place],
        zone=message["zone"],
        operation=message["operation"],
        result=message["result"],
        first_result=message["result"],
        program=message.get("program", activity.get("program")),
        panel=message.get("panel", activity.get("panel")),
        item=message.get("item"),
        position=message.get("position"),
        boot=message["boot"],
        seq=message["seq"],
    )


def gaps(record: Record) -> list[tuple[int, int, int]]:
    """The missing (boot, first_seq, last_seq): below the boot's highest seq, of events and snapshots, yet not there."""
    missing = []
    for boot in sorted({message["boot"] for message in record.messages}):
        of_boot = [message for message in record.messages if message["boot"] == boot]
        highest = max(message["seq"] for message in of_boot)
        present = [message["seq"] for message in of_boot if message["type"] != "snapshot"]
        for before, after in pairwise([0, *present, highest + 1]):
            if after - before > 1:
                missing.append((boot, before + 1, after - 1))
    return missing


def sums(pieces: Iterable[Piece], start_us: int, end_us: int) -> dict[str, int]:
    """Microseconds of each state within [start_us, end_us), with "unknown" as the rest of it."""
    total = dict.fromkeys((*STATES, "unknown"), 0)
    total["unknown"] = end_us - start_us
    for piece in pieces:
        inside_us = max(0, min(piece.end_us, end_us) - max(piece.start_us, start_us))
        total[piece.state] += inside_us
        total["unknown"] -= inside_us
    return total
