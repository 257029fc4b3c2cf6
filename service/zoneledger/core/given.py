"""Reasons that people give afterwards, laid over the ledger's spans: which one holds where, and what is left without one.

People explain time, they never change it: a piece keeps its state and the machine's reason, and the lengths stay as they are.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from heapq import heappop, heappush
from itertools import pairwise
from typing import NamedTuple

from zoneledger.core.spans import Interval, Span, intersect, unite
from zoneledger.core.states import FAULT, IDLE, UNEXPLAINED

#: The states that a given reason may bear on: idle only where the machine has no reason, fault whatever its code.
EXPLAINED_STATES = (IDLE, FAULT)

GivenTimes = dict[tuple[str, str, str], int]
"""Microseconds by (state, the machine's reason, given reason)."""


class Entry(NamedTuple):
    """What somebody said of a unit over [start_us, end_us), or that the entry `undoes` counts no more.

    Of two entries the one with the higher `id` came later. `reason` None takes back what was said before. `states` are those
    that it may bear on: what its reason was declared for when it was given; an undo itself bears on none.
    """

    id: int
    start_us: int
    end_us: int
    reason: str | None
    states: tuple[str, ...]
    undoes: int | None = None


_Decided = tuple[int, int, Entry]
"""The entry that decides over [start, end)."""


class Piece(NamedTuple):
    """A span, or a part of it, with the entry that decides on its given reason, if any does."""

    start_us: int
    end_us: int
    state: str
    reason: str | None
    entry: Entry | None

    @property
    def given(self) -> str | None:
        """The given reason, None where there is none."""
        return self.entry.reason if self.entry else None


def wants_reason(state: str, reason: str | None) -> bool:
    """Tell whether people may give time in this state, for this reason of the machine, a reason of theirs."""
    return state == FAULT or (state, reason) == (IDLE, UNEXPLAINED)


def standing(entries: Iterable[Entry]) -> set[int]:
    """Return the numbers of the entries that are not undone; an undo that is undone itself undoes nothing."""
    left: set[int] = set()
    undone: set[int] = set()
    for entry in sorted(entries, reverse=True):
        if entry.id in undone:
            continue
        left.add(entry.id)
        if entry.undoes is not None:
            undone.add(entry.undoes)
    return left


def overlay(spans: Iterable[Span], entries: Sequence[Entry]) -> list[Piece]:
    """Return the same time, split where another entry decides; the spans are sorted and disjoint, the entries those of their unit.

    At each instant the latest entry decides that stands, covers it, and may bear on its state.
    """
    left = standing(entries)
    said = [entry for entry in entries if entry.id in left]
    deciding = {state: _deciding([one for one in said if state in one.states]) for state in EXPLAINED_STATES}
    return [piece for span in spans for piece in _split(span, deciding.get(span.state, []))]


def _deciding(entries: Sequence[Entry]) -> list[_Decided]:
    """Return where which entry is the latest one, sorted and disjoint."""
    waiting = sorted(entries, key=lambda entry: entry.start_us, reverse=True)
    edges = sorted({edge for entry in entries for edge in (entry.start_us, entry.end_us)})
    found: list[_Decided] = []
    present: list[tuple[int, Entry]] = []
    for start_us, end_us in pairwise(edges):
        while waiting and waiting[-1].start_us <= start_us:
            entry = waiting.pop()
            heappush(present, (-entry.id, entry))
        while present and present[0][1].end_us <= start_us:
            heappop(present)
        if present:
            found.append((start_us, end_us, present[0][1]))
    return found


def _split(span: Span, deciding: Sequence[_Decided]) -> list[Piece]:
    if not wants_reason(span.state, span.reason):
        return [Piece(*span, None)]
    pieces: list[Piece] = []
    reached_us = span.start_us
    k = bisect_right(deciding, span.start_us, key=lambda decided: decided[1])
    if k < len(deciding) and deciding[k][0] <= span.start_us and span.end_us <= deciding[k][1]:
        return [Piece(*span, deciding[k][2])]  # the same as below; most spans are not split
    while k < len(deciding) and deciding[k][0] < span.end_us:
        start_us, end_us = max(deciding[k][0], span.start_us), min(deciding[k][1], span.end_us)
        if reached_us < start_us:
            pieces.append(Piece(reached_us, start_us, *span[2:], None))
        pieces.append(Piece(start_us, end_us, *span[2:], deciding[k][2]))
        reached_us = end_us
        k += 1
    if reached_us < span.end_us:
        pieces.append(Piece(reached_us, span.end_us, *span[2:], None))
    return _joined(pieces)


def _joined(pieces: Sequence[Piece]) -> list[Piece]:
    """Return the pieces of one span with those as one that touch and are decided by the same entry, cut elsewhere by others."""
    found: list[Piece] = []
    for piece in pieces:
        if found and _number(found[-1]) == _number(piece):
            found[-1] = found[-1]._replace(end_us=piece.end_us)
        else:
            found.append(piece)
    return found


def _number(piece: Piece) -> int | None:
    return piece.entry.id if piece.entry else None


def time_given(pieces: Sequence[Piece], planned: Sequence[Interval]) -> GivenTimes:
    """Return the microseconds of planned time that have a given reason; the pieces are sorted and disjoint."""
    sums: GivenTimes = {}
    for start_us, end_us in planned:
        k = bisect_right(pieces, start_us, key=lambda piece: piece.end_us)
        while k < len(pieces) and pieces[k].start_us < end_us:
            piece = pieces[k]
            if piece.given is not None:
                key = piece.state, piece.reason or "", piece.given
                sums[key] = sums.get(key, 0) + min(piece.end_us, end_us) - max(piece.start_us, start_us)
            k += 1
    return sums


class Share(NamedTuple):
    """Time in a state for a given reason, or, where nobody gave one, for the machine's; the other of the two is None."""

    state: str
    reason: str | None
    given: str | None
    length_us: int


def shares(reasons: Mapping[tuple[str, str | None], int], given: GivenTimes) -> list[Share]:
    """Return time by state and given reason, else by the machine's, the longest first; together it is as long as `reasons`.

    `given` is part of `reasons`, which has microseconds by state and the machine's reason.
    """
    left, taken = dict(reasons), dict[tuple[str, str], int]()
    for (state, reason, name), length_us in given.items():
        left[state, reason] -= length_us
        taken[state, name] = taken.get((state, name), 0) + length_us
    found = [Share(state, None, name, length_us) for (state, name), length_us in taken.items()]
    found += [Share(*key, None, length_us) for key, length_us in left.items() if length_us]
    return sorted(found, key=lambda one: (-one.length_us, one.state, one.given or "", one.reason or ""))


def decided_us(pieces: Iterable[Piece]) -> dict[int, int]:
    """Return for how long each entry decides, in microseconds, by its number; those that decide nothing are left out."""
    sums: dict[int, int] = {}
    for piece in pieces:
        if piece.entry is not None:
            sums[piece.entry.id] = sums.get(piece.entry.id, 0) + piece.end_us - piece.start_us
    return sums


def differing(before: Sequence[Piece], after: Sequence[Piece]) -> list[Interval]:
    """Return when the given reason differs between two overlays of the same spans."""
    found: list[Interval] = []
    i = j = 0
    while i < len(before) and j < len(after):
        one, other = before[i], after[j]
        start_us, end_us = max(one.start_us, other.start_us), min(one.end_us, other.end_us)
        if start_us < end_us and one.given != other.given:
            found.append((start_us, end_us))
        i, j = i + (one.end_us == end_us), j + (other.end_us == end_us)
    return unite(found)


def questions(
    pieces: Iterable[Piece], planned: Sequence[Interval], states: Sequence[str], longer_than_us: int
) -> list[Span]:
    """Return the stretches of planned time in these states that want a reason, have none, and are longer than the limit."""
    open_times: dict[tuple[str, str | None], list[Interval]] = {}
    for piece in pieces:
        if piece.given is None and piece.state in states and wants_reason(piece.state, piece.reason):
            open_times.setdefault((piece.state, piece.reason), []).append(piece[:2])
    found = [
        Span(start_us, end_us, state, reason)
        for (state, reason), times in open_times.items()
        for start_us, end_us in intersect(unite(times), planned)
    ]
    return sorted(span for span in found if span.end_us - span.start_us > longer_than_us)
