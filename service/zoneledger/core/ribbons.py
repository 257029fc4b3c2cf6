"""A unit's pieces of time as they are drawn: as they are, or each part of the window in the state that it was in longest."""

from collections.abc import Sequence
from typing import NamedTuple

from zoneledger.core.given import Piece


class Ribbon(NamedTuple):
    """A unit's pieces over a window, which join; of a condensed one each stands for the state that held longest in its parts."""

    unit: str
    pieces: list[Piece]


def condensed(pieces: Sequence[Piece], start_us: int, end_us: int, parts: int) -> list[Piece]:
    """Return the pieces of a window cut into equal parts, each as the piece that took most of it; like ones are joined.

    The pieces are sorted and join; the last part is cut where they end.
    """
    found: list[Piece] = []
    first = 0
    for number in range(parts):
        from_us = start_us + (end_us - start_us) * number // parts
        to_us = start_us + (end_us - start_us) * (number + 1) // parts
        while first < len(pieces) and pieces[first].end_us <= from_us:
            first += 1
        longest = _longest(pieces, first, from_us, to_us)
        if longest is None:
            break
        _add(found, longest, from_us, min(to_us, pieces[-1].end_us))
    return found


def _longest(pieces: Sequence[Piece], first: int, from_us: int, to_us: int) -> Piece | None:
    lengths: dict[tuple[str, str | None], int] = {}
    shown: dict[tuple[str, str | None], Piece] = {}
    for k in range(first, len(pieces)):
        piece = pieces[k]
        if piece.start_us >= to_us:
            break
        kind = piece.state, piece.reason
        lengths[kind] = lengths.get(kind, 0) + min(piece.end_us, to_us) - max(piece.start_us, from_us)
        shown.setdefault(kind, piece)
    return shown[max(lengths, key=lambda kind: lengths[kind])] if lengths else None


def _add(found: list[Piece], piece: Piece, from_us: int, to_us: int) -> None:
    if found and found[-1][2:4] == piece[2:4]:
        found[-1] = found[-1]._replace(end_us=to_us)
    else:
        found.append(Piece(from_us, to_us, piece.state, piece.reason, None))
