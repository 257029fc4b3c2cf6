"""A service that goes away under an open page: the page says so, keeps what it shows, and recovers by itself."""

import os
import signal
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, Response

from tests.browser.conftest import OpenPage
from tests.browser.playing import hasten, play_until, play_until_there_is
from tests.browser.present import CELL, LINE, present_line
from tests.servers.service import ServiceProcess

PAGES = {"/": "#main h2", f"/sheet/{LINE}": "#oee", f"/commissioning/{CELL}": "#verdict"}
#: What a page says at its foot while its service is away, and when all is well.
AWAY = "(said) => said?.includes('The service does not answer; what is shown was read before.')"
WELL = "(said) => said === ''"


@pytest.fixture(scope="module")
def leaving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that these tests stop and start."""
    with present_line(tmp_path_factory.mktemp("leaving")) as service:
        yield service


def _wait_until_it_is(page: Page, state: str) -> None:
    play_until(page, f"({state})(document.getElementById('standing')?.textContent)")


def _is_reading(answer: Response) -> bool:
    """Tell whether a page was answered by the API, but for whether the service is there, and what is new."""
    path = urlsplit(answer.url).path
    return answer.status == 200 and path.startswith("/v1/") and path != "/v1/live"


@pytest.mark.parametrize("path", PAGES)
def test_a_page_outlives_its_service(leaving: ServiceProcess, open_page: OpenPage, path: str) -> None:
    watched = open_page(leaving, path, prepare=hasten)
    page = watched.page
    page.wait_for_selector(PAGES[path])
    readings: list[str] = []
    page.on("response", lambda answer: readings.append(answer.url) if _is_reading(answer) else None)
    leaving.stop()
    try:
        _wait_until_it_is(page, AWAY)
        assert page.is_visible(PAGES[path])
        assert page.query_selector("[role=alert]") is None
        before = len(readings)
    finally:
        leaving.start()
    _wait_until_it_is(page, WELL)
    assert len(readings) > before
    assert watched.errors == []


def test_a_page_says_so_where_its_service_hangs(leaving: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(leaving, f"/sheet/{LINE}", prepare=hasten).page
    os.kill(leaving.pid, signal.SIGSTOP)
    try:
        _wait_until_it_is(page, AWAY)
        assert page.is_visible("#oee")
    finally:
        os.kill(leaving.pid, signal.SIGCONT)
    _wait_until_it_is(page, WELL)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_that_was_refused_at_first_as_the_service_was_busy_tries_again(
    leaving: ServiceProcess, open_page: OpenPage, path: str
) -> None:
    def busy(page: Page) -> None:
        hasten(page)
        page.route("**/v1/**", lambda route: route.fulfill(status=503, json={"title": "Busy", "detail": "Try later."}))

    page = open_page(leaving, path, prepare=busy).page
    assert "Try later." in page.inner_text("[role=alert]")
    page.unroute("**/v1/**")
    play_until_there_is(page, PAGES[path])


@pytest.mark.parametrize("path", PAGES)
def test_a_page_that_was_not_answered_at_first_shows_what_it_has_once_it_is(
    leaving: ServiceProcess, browser: Browser, path: str
) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        hasten(page)
        page.route("**/v1/**", lambda route: route.abort())
        page.goto(f"{leaving.url}{path}")
        assert "cannot be reached" in page.inner_text("[role=alert]")
        page.unroute("**/v1/**")
        play_until_there_is(page, PAGES[path])
