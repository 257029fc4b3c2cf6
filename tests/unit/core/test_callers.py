"""What a caller may, and which units it reaches."""

import pytest

from zoneledger.core.callers import EVERYONE, Caller, Scope, is_unit_path, scopes_of

CELL = "harbour/wing-1/cell-1"


def _caller(*scopes: Scope, units: tuple[str, ...] | None = None) -> Caller:
    return Caller("x", frozenset(scopes), units, "key")


def test_a_caller_may_what_its_scopes_say_and_admin_all_of_it() -> None:
    for has in Scope:
        for wants in Scope:
            assert _caller(has).may(wants) == (has in (wants, Scope.ADMIN))
    assert not any(_caller().may(scope) for scope in Scope)
    assert _caller(Scope.READ, Scope.INGEST).may(Scope.INGEST)
    assert all(EVERYONE.may(scope) for scope in Scope)


@pytest.mark.parametrize(
    ("units", "reached"),
    [
        (None, True),
        ((), False),
        (("harbour",), True),
        (("harbour/wing-1",), True),
        ((CELL,), True),
        ((f"{CELL}/1",), False),
        (("harbour/wing-10",), False),
        (("harbour/wing",), False),
        (("harbou",), False),
        (("",), False),
        (("quay", "harbour"), True),
        (("quay", "harbour/wing-2"), False),
    ],
)
def test_a_caller_reaches_its_units_and_what_lies_below(units: tuple[str, ...] | None, reached: bool) -> None:
    assert _caller(units=units).reaches(CELL) is reached


def test_a_path_that_climbs_is_reached_by_nobody_but_who_reaches_all() -> None:
    assert not _caller(units=("harbour/wing-1",)).reaches("quay/../harbour/wing-1")
    assert not _caller(units=("harbour/wing-1",)).reaches("harbour")
    assert not _caller(units=("harbour/wing-1",)).reaches("")


def test_scopes_are_read_with_and_without_their_prefix() -> None:
    assert scopes_of(["read", "zoneledger:ingest", "openid", "other:admin", "READ", "", "zoneledger:"]) == {
        "read",
        "ingest",
    }
    assert scopes_of(["zoneledger:zoneledger:admin"]) == set()


@pytest.mark.parametrize("path", ["a", "harbour/wing-1", CELL, "x" * 40])
def test_a_path_of_one_to_three_steps_is_that_of_a_unit_which_a_caller_may_have(path: str) -> None:
    assert is_unit_path(path)


@pytest.mark.parametrize(
    "path", ["", "/", "a/", "/a", "a//b", "A", "a b", f"{CELL}/1", "x" * 41, "..", "\u00e4", "a\n"]
)
def test_what_is_no_path_is_none(path: str) -> None:
    assert not is_unit_path(path)
