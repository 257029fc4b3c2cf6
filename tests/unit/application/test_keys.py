"""Keys are made of chance, have what they are made for, and no two are equal."""

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zoneledger.application.keys import (
    MOST_UNITS,
    Credential,
    bearer_of_key,
    caller_of,
    digest_of,
    new_key,
    read_credential,
    right_row,
    told,
)
from zoneledger.core.callers import Caller, Scope

BEARER = Caller("dashboard", frozenset({Scope.INGEST, Scope.READ}), ("harbour/wing-1", "harbour/wing-2"), "key")


def test_no_two_keys_are_equal() -> None:
    made = [new_key("key", BEARER, 1, 2) for _ in range(20_000)]
    assert len({text for _, text in made}) == len({row.id for row, _ in made}) == len(made)
    assert len({text.split("_", 2)[2] for _, text in made}) == len({row.digest for row, _ in made}) == len(made)


def test_a_key_is_read_as_it_was_made_and_its_secret_is_not_in_its_row() -> None:
    for _ in range(1000):
        row, text = new_key("key", BEARER, 1, 2)
        credential = read_credential(text)
        assert credential is not None
        assert (credential.id, digest_of(credential.secret)) == (row.id, row.digest)
        assert right_row(credential, row) is row
        assert credential.secret not in repr(row)
        assert re.fullmatch("[0-9a-f]{64}", row.digest)


@given(st.text() | st.from_regex(r"zl_[0-9a-f]{10,13}_[A-Za-z0-9_-]{40,46}"))
@settings(max_examples=200)
def test_what_is_read_as_a_key_has_its_shape_and_is_wrong_for_any_row(text: str) -> None:
    credential = read_credential(text)
    row, _ = new_key("key", BEARER, 1, 2)
    if credential is not None:
        assert text == f"zl_{credential.id}_{credential.secret}"
        assert right_row(credential, row) is None
        assert right_row(credential, None) is None


def test_what_nobody_has_is_never_right() -> None:
    assert [right_row(Credential("0" * 12, secret), None) for secret in ("", "x")] == [None, None]


@pytest.mark.parametrize("units", [None, (), ("harbour",), ("harbour/wing-1", "harbour/wing-2/cell-1/1")])
@pytest.mark.parametrize("scopes", [set(), {Scope.READ}, set(Scope)])
def test_who_has_a_key_is_who_it_was_made_for(units: tuple[str, ...] | None, scopes: set[Scope]) -> None:
    bearer = Caller("dashboard", frozenset(scopes), units, "key")
    assert caller_of(new_key("key", bearer, 1, 2)[0]) == bearer


def test_what_a_key_may_is_told_in_words() -> None:
    assert told(new_key("key", BEARER, 1, 2)[0]) == "read, ingest over harbour/wing-1, harbour/wing-2"
    everywhere = bearer_of_key("all", [Scope.ADMIN], [])
    assert told(new_key("key", everywhere, 1, 2)[0]) == "admin over all units"


@pytest.mark.parametrize(
    ("name", "scopes", "units", "why"),
    [
        ("", [Scope.READ], [], "name"),
        (" x", [Scope.READ], [], "name"),
        ("a\nb", [Scope.READ], [], "name"),
        ("x" * 61, [Scope.READ], [], "name"),
        ("x", [], [], "scope"),
        ("x", [Scope.READ], ["Harbour"], "unit"),
        ("x", [Scope.READ], [""], "unit"),
        ("x", [Scope.READ], ["harbour/"], "unit"),
        ("x", [Scope.READ], ["a/b/c/d/e"], "unit"),
        ("x", [Scope.READ], ["a b"], "unit"),
        ("x", [Scope.READ], ["a"] * (MOST_UNITS + 1), "units"),
    ],
)
def test_a_key_that_there_cannot_be_is_not_made(name: str, scopes: list[Scope], units: list[str], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        bearer_of_key(name, scopes, units)


def test_a_unit_that_is_named_twice_is_one() -> None:
    wanted: Any = ["harbour", "quay", "harbour"]
    assert bearer_of_key("x", [Scope.READ], wanted).units == ("harbour", "quay")
