"""The page on a cell's messages says whether the contract was kept, and tells one as one and several as several."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE
from tests.servers.service import ServiceProcess
from zoneledger_cli import doctor

PAGE = f"/commissioning/{LINE}/cell-1"
BREACH = {"code": "x", "severity": "breach", "text": "what is wrong", "number": None, "first": None, "last": None}


def _telling(changes: dict[str, Any]) -> Callable[[Page], None]:
    """Return what lets the service's own answer be told with changes."""

    def answer(route: Route) -> None:
        told = route.fetch()
        route.fulfill(response=told, json=told.json() | changes)

    def prepare(page: Page) -> None:
        page.route("**/v1/commissioning/**", answer)

    return prepare


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"kept": True, "findings": []}, doctor.KEPT),
        ({"kept": False, "findings": [BREACH]}, "The contract was not kept: 1 breach."),
        ({"kept": False, "findings": [BREACH, BREACH]}, "The contract was not kept: 2 breaches."),
        ({"kept": None, "findings": [BREACH | {"severity": "advice"}]}, f"{doctor.CANNOT_BE_SAID}Look at less time."),
    ],
)
def test_the_verdict_is_that_of_the_service(
    line: ServiceProcess, open_page: OpenPage, changes: dict[str, Any], verdict: str
) -> None:
    watched = open_page(line, PAGE, prepare=_telling(changes))
    assert watched.page.inner_text("#verdict").startswith(verdict)
    assert (watched.errors, watched.said) == ([], [])


@pytest.mark.parametrize(
    ("snapshots", "words"),
    [(3, "Snapshots count what events told."), (0, "No snapshot came in this time, so what events told")],
)
def test_events_are_not_called_counted_by_snapshots_where_none_came(
    line: ServiceProcess, open_page: OpenPage, snapshots: int, words: str
) -> None:
    page = open_page(line, PAGE, prepare=_telling({"snapshots": snapshots, "unseen": {}})).page
    assert words in page.inner_text("section:has(h2:text-is('Fasteners'))")


def test_where_not_all_is_shown_that_is_said_and_times_have_their_zone(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    refused = {"id": 1, "arrived": "2026-03-02T06:00:00Z", "reason": "not_json", "detail": "no JSON", "text": "{"}
    gap = {"boot": 1, "first_seq": 4, "last_seq": 4, "until": "2026-03-02T06:00:00Z"}
    changes = {
        "refused": {"number": 1208, "by_reason": {"not_json": 1208}, "last": [refused, refused]},
        "gaps": {"number": 1, "events": 1, "last": [gap]},
    }
    page = open_page(line, PAGE, prepare=_telling(changes)).page
    assert "Shown are the last 2 of 1,208." in page.inner_text("section:has(h2:has-text('Refused'))")
    assert "Shown are" not in page.inner_text("section:has(h2:text-is('Missing events'))")
    assert re.search(r"Looked at: [\d:]{8} to [\d:]{8}, as all times in Europe/\w+\.", page.inner_text("#verdict"))


@pytest.mark.parametrize(
    ("gaps", "ever", "words"),
    [
        ((1, 1), (1, 1), ("1 event in 1 gap: ", "1 event, 1 snapshot, ")),
        ((2, 5), (2, 0), ("5 events in 2 gaps: ", "2 events, 0 snapshots, ")),
    ],
)
def test_one_is_told_as_one_and_several_as_several(
    line: ServiceProcess, open_page: OpenPage, gaps: tuple[int, int], ever: tuple[int, int], words: tuple[str, ...]
) -> None:
    changes = {
        "gaps": {"number": gaps[0], "events": gaps[1], "last": []},
        "since_ever": {"events": ever[0], "snapshots": ever[1], "duplicate": 0, "refused": 0, "unknown_fields": {}},
    }
    told = open_page(line, PAGE, prepare=_telling(changes)).page.inner_text("#main")
    assert [one for one in words if one not in told] == []
