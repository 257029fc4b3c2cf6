"""A sheet of `shift=now` that is opened in a break: it says so, and comes up by itself once a shift lasts."""

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest

from tests.browser.conftest import OpenPage
from tests.browser.playing import hasten, play, play_until_there_is
from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger.clock import now_us

LINE = "quay/line-1"
LENGTH = timedelta(hours=8)


def _plant(begins_in: timedelta) -> dict[str, Any]:
    """Return a plant whose line has one shift a day, that begins so long from now."""
    at = datetime.fromtimestamp(now_us() / 1e6, UTC) + begins_in
    times = {"starts": f"{at:%H:%M}", "ends": f"{at + LENGTH:%H:%M}"}
    shift = {"shift": "early", **times, "repeats": "FREQ=DAILY", "since": "2026-01-01"}
    line = {"line": "line-1", "shifts": [shift], "cells": [{"cell": "cell-1", "zones": ["1"]}]}
    return {"sites": [{"site": "quay", "timezone": "UTC", "lines": [line]}]}


@pytest.fixture
def resting(tmp_path: Path) -> Iterator[ServiceProcess]:
    """A service with a line whose next shift begins in an hour."""
    plant = tmp_path / "plant.json"
    plant.write_text(json.dumps(_plant(timedelta(hours=1))))
    with ForkedService("--database", f"sqlite:///{tmp_path / 'break.db'}", "--plant", str(plant)) as service:
        yield service


def test_a_sheet_of_the_present_shift_opened_in_a_break_comes_up_once_a_shift_lasts(
    resting: ServiceProcess, open_page: OpenPage
) -> None:
    watched = open_page(resting, f"/sheet/{LINE}?shift=now", prepare=hasten)
    page = watched.page
    play(page, 30_000)
    said = page.inner_text("[role=alert]")
    assert f"{LINE} is in no shift now" in said
    assert "the next one, " in said
    asked = [url for url in watched.asked if urlsplit(url).path == f"/v1/sheet/{LINE}"]
    assert 2 <= len(asked) <= 4
    begun = _plant(timedelta(hours=-1))
    assert httpx.put(f"{resting.url}/v1/plant", json=begun).is_success
    play_until_there_is(page, "#head")
    assert "Early shift" in page.inner_text("h1")
    assert page.query_selector("[role=alert]") is None
    assert watched.errors == []


def test_the_first_page_says_in_a_break_when_the_next_shift_begins(
    resting: ServiceProcess, open_page: OpenPage
) -> None:
    page = open_page(resting, "/").page
    page.wait_for_selector(f"[data-so-far='{LINE}']:has-text('No shift now')")
    words = page.inner_text(f"[data-so-far='{LINE}']")
    assert re.fullmatch(r"No shift now; the next one, early, begins at (\w{3},? \d+ \w{3} )?\d\d:\d\d\.", words), words


def test_the_sheet_of_the_last_shift_says_in_a_break_that_it_is_over(
    resting: ServiceProcess, open_page: OpenPage
) -> None:
    over = "over, and the next shift has not begun yet"
    assert over in open_page(resting, f"/sheet/{LINE}").page.inner_text("#when")
    sheet = resting.get(f"/v1/sheet/{LINE}")
    before = sheet["previous"]["query"]["shift"]
    assert over not in open_page(resting, f"/sheet/{LINE}?shift={before}").page.inner_text("#when")
