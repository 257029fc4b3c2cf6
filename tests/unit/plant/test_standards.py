"""Which standard holds for a fastener, held against a brute-force reading of the rule."""

from datetime import date, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.core.calendar import midnight_us
from zoneledger.core.plant import Cell, Line, Standard
from zoneledger.core.standards import Standards

from .declared import BERLIN, us

FIRST = date(2026, 3, 27)
ITEMS = (None, "lb-8", "lb-6")
PROGRAMS = (None, "skin-left", "skin-right")


def standard(seconds: int, since: str, item: str | None = None, program: str | None = None) -> Standard:
    return Standard("fasten", seconds * 1_000_000, date.fromisoformat(since), item, program)


def standards(line: list[Standard], cell: list[Standard]) -> Standards:
    return Standards.of(Line("wing-1", standards=tuple(line)), Cell("cell-1", ("1",), tuple(cell)), BERLIN)


def test_the_most_specific_wins_and_the_cell_before_the_line() -> None:
    declared = standards(
        line=[
            standard(1, "2026-01-01"),
            standard(2, "2026-01-01", program="skin-left"),
            standard(3, "2026-01-01", item="lb-8"),
            standard(4, "2026-01-01", item="lb-8", program="skin-left"),
        ],
        cell=[standard(5, "2026-01-01", program="skin-right")],
    )
    at_us = us("2026-06-01T00:00:00Z")
    expected_s = {
        ("lb-8", "skin-left"): 4,
        ("lb-8", "skin-right"): 5,
        ("lb-8", None): 3,
        ("lb-6", "skin-left"): 2,
        (None, "skin-left"): 2,
        (None, None): 1,
    }
    for (item, program), seconds in expected_s.items():
        assert declared.rate("fasten", item, program, at_us) == seconds * 1_000_000
    assert declared.rate("drill", "lb-8", "skin-left", at_us) is None


def test_a_more_specific_standard_that_has_not_begun_hides_nothing() -> None:
    declared = standards(line=[standard(4, "2026-01-01")], cell=[standard(6, "2026-07-01", item="lb-8")])
    assert declared.rate("fasten", "lb-8", None, us("2026-06-30T21:59:59.999999Z")) == 4_000_000
    assert declared.rate("fasten", "lb-8", None, us("2026-06-30T22:00:00Z")) == 6_000_000


def test_a_fastener_before_every_standard_is_unrated() -> None:
    declared = standards(line=[standard(4, "2026-01-01")], cell=[])
    assert declared.rate("fasten", None, None, us("2025-12-31T22:59:59.999999Z")) is None
    assert declared.find("fasten", None, None, us("2025-12-31T22:59:59.999999Z")) is None


def test_changes_are_the_instants_in_the_window_at_which_a_standard_begins() -> None:
    declared = standards(
        line=[standard(4, "2026-01-01"), standard(5, "2026-07-01"), standard(5, "2026-07-01", item="lb-8")],
        cell=[standard(3, "2026-08-01")],
    )
    july, august = us("2026-06-30T22:00:00Z"), us("2026-07-31T22:00:00Z")
    assert declared.changes_us(july, august) == [july]
    assert declared.changes_us(july + 1, august + 1) == [august]
    assert declared.changes_us(0, august + 1) == [us("2025-12-31T23:00:00Z"), july, august]
    assert declared.changes_us(august + 1, august) == []


DECLARED = st.lists(
    st.builds(
        Standard,
        st.sampled_from(("drill", "fasten")),
        st.integers(1, 1000),
        st.integers(0, 3).map(lambda days: FIRST + timedelta(days=days)),
        st.sampled_from(ITEMS),
        st.sampled_from(PROGRAMS),
    ),
    max_size=12,
    unique_by=lambda each: (each.operation, each.since, each.item, each.program),
)
HOURS = st.integers(-24, 120).map(lambda hours: midnight_us(FIRST, BERLIN) + hours * 3_600_000_000)


def brute_force(levels: list[list[Standard]], wanted: tuple[str, str | None, str | None], at_us: int) -> int | None:
    """Read the rule of design.md section 9 word for word: filter, then take the maximum."""
    operation, item, program = wanted
    best: tuple[tuple[int, int, date], int] | None = None
    for level, declared in enumerate(levels):
        for each in declared:
            fits = each.operation == operation and each.item in (None, item) and each.program in (None, program)
            if fits and midnight_us(each.since, BERLIN) <= at_us:
                specific = {(True, True): 3, (True, False): 2, (False, True): 1, (False, False): 0}
                rank = (-level, specific[each.item is not None, each.program is not None], each.since)
                if best is None or rank > best[0]:
                    best = (rank, each.fastener_us)
    return best[1] if best else None


@settings(deadline=None)
@given(
    DECLARED, DECLARED, st.sampled_from(("drill", "fasten")), st.sampled_from(ITEMS), st.sampled_from(PROGRAMS), HOURS
)
def test_precedence_is_that_of_a_brute_force_search(
    cell: list[Standard], line: list[Standard], operation: str, item: str | None, program: str | None, at_us: int
) -> None:
    expected = brute_force([cell, line], (operation, item, program), at_us)
    assert standards(line, cell).rate(operation, item, program, at_us) == expected


@settings(deadline=None)
@given(DECLARED, DECLARED, st.sampled_from(ITEMS), st.sampled_from(PROGRAMS), HOURS, HOURS)
def test_between_two_changes_no_rate_changes(
    cell: list[Standard], line: list[Standard], item: str | None, program: str | None, one_us: int, other_us: int
) -> None:
    declared = standards(line, cell)
    if not declared.changes_us(min(one_us, other_us) + 1, max(one_us, other_us) + 1):
        assert declared.rate("fasten", item, program, one_us) == declared.rate("fasten", item, program, other_us)


def test_a_standard_begins_at_the_local_midnight_of_the_site() -> None:
    line = Line("wing-1", standards=(standard(4, "2026-06-01"),))
    auckland = Standards.of(line, Cell("cell-1", ("1",)), ZoneInfo("Pacific/Auckland"))
    assert auckland.changes_us(0, us("2027-01-01T00:00:00Z")) == [us("2026-05-31T12:00:00Z")]
