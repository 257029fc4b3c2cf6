"""A slow, obvious reading of the rule of minor stops (docs/figures.md) that shares no code with the service."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tests.oracle.ledger import Fastener, Piece

NO_STANDARD_LIMIT_US = 15_000_000


@dataclass(frozen=True)
class Rate:
    """What is declared of a kind of fastener: None in `item` or `program` means any."""

    operation: str
    fastener_us: int
    item: str | None = None
    program: str | None = None
    limit_us: int | None = None

    def longest_us(self) -> int:
        """How long a piece of running time may last that a fastener of this kind ends."""
        if self.limit_us is not None:
            return self.limit_us
        return 3 * self.fastener_us if 3 * self.fastener_us > NO_STANDARD_LIMIT_US else NO_STANDARD_LIMIT_US


def rate_of(made: Fastener, rates: Iterable[Rate]) -> Rate | None:
    """The most specific rate of a fastener: for its item and program, else its item, else its program, else neither."""
    fits = [
        rate
        for rate in rates
        if rate.operation == made.operation and rate.item in (None, made.item) and rate.program in (None, made.program)
    ]
    return max(fits, key=lambda rate: 2 * (rate.item is not None) + (rate.program is not None), default=None)


def minor_stops(pieces: Iterable[Piece], made: Sequence[Fastener], rates: Sequence[Rate]) -> list[tuple[int, int]]:
    """The minor stops of a unit from its known time and its fasteners."""
    return [
        stop
        for piece in pieces
        if piece.state == "running"
        for stop in _stops_in(piece, [one for one in made if piece.start_us <= one.at_us <= piece.end_us], rates)
    ]


def _stops_in(span: Piece, made: Sequence[Fastener], rates: Sequence[Rate]) -> list[tuple[int, int]]:
    """Those of one running span, cut at the fasteners made in it, up to its very end."""
    stops = []
    begin_us, begun_by = span.start_us, None
    for one in sorted(made, key=lambda made: (made.at_us, made.boot, made.seq)):
        rate = rate_of(one, rates)
        limit_us, less_us = (rate.longest_us(), rate.fastener_us) if rate else (NO_STANDARD_LIMIT_US, 0)
        if one.at_us - begin_us > limit_us:
            stops.append((begin_us, one.at_us - less_us))
        begin_us, begun_by = one.at_us, one
    rate = rate_of(begun_by, rates) if begun_by else None
    if span.end_us - begin_us > (rate.longest_us() if rate else NO_STANDARD_LIMIT_US):
        stops.append((begin_us, span.end_us))
    return stops


def inside_us(stops: Iterable[tuple[int, int]], windows: Iterable[tuple[int, int]]) -> int:
    """How much of some disjoint intervals lies in others, in microseconds."""
    pairs = [(a, b) for a in stops for b in windows]
    return sum(max(0, min(a[1], b[1]) - max(a[0], b[0])) for a, b in pairs)
