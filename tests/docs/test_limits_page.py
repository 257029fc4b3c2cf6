"""What bounds each call that reads is on the page as it is in the code."""

import json
import re
from typing import Any

import pytest

from tests.docs.pages import codes, read, rows, section
from zoneledger import bootstrap
from zoneledger.api import aside, turns
from zoneledger.api.openapi import ROUTES
from zoneledger.api.routes import plant, refused
from zoneledger.api.turns import InTurn
from zoneledger.application import evidence, pace, panels, timeline, windows
from zoneledger.core.calendar import DAY_US
from zoneledger.settings import Settings
from zoneledger.storage import engines
from zoneledger_cli import listening

LIMITS = section(read("docs/rest-api.md"), "Limits")
ROWS = {codes(row[0])[0].removeprefix("GET "): row[1:] for row in rows(LIMITS)}
DAYS = {"400 days": windows.MAX_WINDOW_US // DAY_US, "31 days": windows.MAX_DAYS, "1 day": evidence.MAX_DAYS}


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    """The OpenAPI document as it is committed; another test holds it against the program."""
    found: dict[str, Any] = json.loads(read("docs/openapi.json"))
    return found


def _numbers(text: str) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", text)]


def test_exactly_the_calls_that_read_are_listed(document: dict[str, Any]) -> None:
    there = {path for path, calls in document["paths"].items() if "get" in calls}
    assert set(ROWS) == {path for path in there if not path.startswith("/health/")}


def test_windows_are_as_long_as_listed() -> None:
    assert [int(told.split()[0]) for told in DAYS] == list(DAYS.values())
    assert {window for window, *_ in ROWS.values()} == {*DAYS, "none"}


def test_calls_take_a_window_exactly_where_one_is_listed(document: dict[str, Any]) -> None:
    for path, (window, *_) in ROWS.items():
        names = {one["name"] for one in document["paths"][path]["get"].get("parameters", [])}
        if not path.startswith("/v1/proofs/"):  # theirs was declared before
            assert ({"start", "end"} <= names) == (window != "none"), path


def test_pages_are_as_long_as_listed(document: dict[str, Any]) -> None:
    for path, (_, most, _) in ROWS.items():
        parameters = {one["name"]: one["schema"] for one in document["paths"][path]["get"].get("parameters", [])}
        if "limit" in parameters:
            told = re.search(r"(\d+) (a page|questions)", most)
            assert told is not None, path
            assert int(told[1]) == parameters["limit"]["maximum"], path


@pytest.mark.parametrize(
    ("path", "numbers"),
    [
        ("/v1/kpi/{unit}", [windows.MAX_POINTS]),
        ("/v1/losses/{unit}", [windows.MAX_POINTS]),
        ("/v1/shifts/{line}", [windows.MAX_POINTS]),
        ("/v1/panels/{unit}", [panels.MAX_PASSES, 1000]),
        ("/v1/timeline/{unit}", [timeline.MAX_SPANS]),
        ("/v1/pace/{unit}", [pace.MAX_PARTS]),
        ("/v1/evidence/{unit}", [1000, evidence.PAGE_BYTES // 2**20, evidence.MOST_READ]),
        ("/v1/reasons/{unit}", [200, windows.MAX_DAYS]),
        ("/v1/refused/counts", [refused.MAX_CELLS]),
        ("/v1/plant", [plant.MAX_PLANT_BYTES // 2**20]),
        ("/v1/live", [Settings.model_fields["live_streams"].default]),
    ],
)
def test_numbers_are_those_of_the_code(path: str, numbers: list[int]) -> None:
    assert _numbers(ROWS[path][1]) == numbers


def test_calls_take_turns_exactly_where_that_is_listed() -> None:
    in_turn = {
        route.path.replace(":path", "")
        for module in ROUTES
        for route in module.router.routes
        if isinstance(route, InTurn) and "GET" in (route.methods or ())
    }
    assert {path for path, (*_, turn) in ROWS.items() if turn == "yes"} == in_turn
    assert {path for path, (*_, turn) in ROWS.items() if turn.startswith("unless")} == {"/v1/kpi/{unit}"}


def test_the_bounds_for_all_calls_are_those_of_the_code() -> None:
    text = LIMITS.rpartition("|")[2]
    assert f"{windows.MAX_CELL_DAYS} cell-days" in text
    for cells, days in re.findall(r"(\d+) cells for (\d+)", text.replace("\n", " ")):
        assert int(cells) * int(days) <= windows.MAX_CELL_DAYS
        assert (int(cells) + 2) * int(days) > windows.MAX_CELL_DAYS
    assert f"longer than {engines.READ_S:g} s" in text
    many = section(read("docs/rest-api.md"), "Many at once")
    assert f"after {turns.LONGEST_WAIT_S:g} s" in many
    assert f"longer than {aside.ANSWER.longest_s:g} s" in many
    assert f"{aside.PROOF.longest_s:g} s of an acceptance run" in many
    assert f"no place for {aside.LONGEST_PLACE_S:g} s" in many
    assert f"At most {bootstrap.ASIDE_AT_ONCE} of them are made at once" in many
    assert f"at most {turns.LONGEST_PAUSE_S:g} s" in many


def test_what_is_made_aside_is_only_read() -> None:
    made_aside = [route for module in ROUTES for route in module.router.routes if isinstance(route, InTurn)]
    assert {method for route in made_aside for method in route.methods or ()} == {"GET"}


def test_a_stop_is_told_to_take_as_long_as_its_parts_may() -> None:
    text = section(read("docs/operations.md"), "Live streams").replace("\n", " ")
    assert f"up to {listening.STOP_S} s for answers" in text
    assert f"given {engines.WRITE_S:g} s" in text
    assert f"up to {aside.STOP_S:g} s for what is being computed" in text
    assert f"may take {listening.STOP_S + engines.WRITE_S + aside.STOP_S:g} s" in text


def test_connections_to_postgresql_are_as_many_as_told() -> None:
    aside_s = bootstrap.ASIDE_AT_ONCE
    each = f"{engines.WRITERS} that write, {engines.READERS} that read, {engines.LOOKS} for looks and {aside_s} for answers made aside"
    most = engines.WRITERS + engines.READERS + engines.LOOKS + aside_s
    assert f"at most {most} connections, {each}" in read("docs/operations.md").replace("\n", " ")
    assert f"{most} connections" in read("docs/scaling.md").replace("\n", " ")
    assert (
        f"{engines.FILE_READERS}" == f"{aside_s}"
    )  # else some would wait for a connection of SQLite, and not for a place
