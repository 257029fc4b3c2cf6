"""Pieces of time that are condensed to equal parts of a window."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.given import Piece
from zoneledger.core.ribbons import condensed
from zoneledger.core.states import STATES


def _piece(start: int, end: int, state: str = "running", reason: str | None = "process") -> Piece:
    return Piece(start, end, state, reason, None)


def test_each_part_is_told_as_what_took_most_of_it() -> None:
    pieces = [
        _piece(0, 6),
        _piece(6, 10, "fault", "clamp-force"),
        _piece(10, 13),
        _piece(13, 20, "fault", "guard-open"),
    ]
    assert condensed(pieces, 0, 20, 2) == [_piece(0, 10), _piece(10, 20, "fault", "guard-open")]


def test_many_short_pieces_of_one_kind_win_over_a_longer_one_of_another() -> None:
    pieces = [_piece(0, 3), _piece(3, 7, "idle", "operator"), _piece(7, 10)]
    assert condensed(pieces, 0, 10, 1) == [_piece(0, 10)]


def test_parts_of_one_kind_are_joined() -> None:
    assert condensed([_piece(0, 100)], 0, 100, 10) == [_piece(0, 100)]


def test_a_window_that_is_not_over_ends_where_its_pieces_do() -> None:
    assert condensed([_piece(0, 25)], 0, 100, 10) == [_piece(0, 25)]


def test_nothing_is_condensed_to_nothing() -> None:
    assert condensed([], 0, 100, 10) == []


@st.composite
def _partitions(draw: st.DrawFn) -> list[Piece]:
    edges = sorted(draw(st.sets(st.integers(1, 400), min_size=1, max_size=30)))
    states = draw(st.lists(st.sampled_from(STATES), min_size=len(edges), max_size=len(edges)))
    return [_piece(start, end, state) for start, end, state in zip([0, *edges], edges, states, strict=False)]


@given(pieces=_partitions(), parts=st.integers(1, 60))
def test_condensed_pieces_join_reach_as_far_and_are_no_more_than_the_parts(pieces: list[Piece], parts: int) -> None:
    found = condensed(pieces, 0, 400, parts)
    assert (found[0].start_us, found[-1].end_us) == (0, pieces[-1].end_us)
    assert all(one.end_us == following.start_us for one, following in pairwise(found))
    assert len(found) <= parts


@given(pieces=_partitions(), parts=st.integers(1, 60))
def test_the_state_of_a_part_holds_no_shorter_in_it_than_any_other(pieces: list[Piece], parts: int) -> None:
    for number in range(parts):
        start, end = 400 * number // parts, 400 * (number + 1) // parts
        lengths = dict.fromkeys(STATES, 0)
        for piece in pieces:
            lengths[piece.state] += max(0, min(piece.end_us, end) - max(piece.start_us, start))
        shown = [one for one in condensed(pieces, 0, 400, parts) if one.start_us < end and one.end_us > start]
        assert [lengths[one.state] for one in shown] == ([max(lengths.values())] if any(lengths.values()) else [])
