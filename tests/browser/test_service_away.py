"""A service that goes away under an open page: the page says so, keeps what it shows, and recovers by itself."""

import os
import signal
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.conftest import OpenPage
from tests.browser.present import CELL, LINE, present_line
from tests.servers.service import ServiceProcess

PAGES = {"/": "#main h2", f"/sheet/{LINE}": "#oee", f"/commissioning/{CELL}": "#verdict"}
SAYS_WITHIN_MS = 20_000
AWAY = "#standing:has-text('The service does not answer; what is shown was read before.')"
WELL = "() => document.getElementById('standing')?.textContent === ''"


@pytest.fixture(scope="module")
def leaving(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service that these tests stop and start."""
    with present_line(tmp_path_factory.mktemp("leaving")) as service:
        yield service


def _readings(page: Page) -> int:
    """Return how often the page was answered by the API, but for whether the service is there."""
    path = "performance.getEntriesByType('resource').filter((one) => one.responseStatus === 200)"
    return int(page.evaluate(f"{path}.filter((one) => new URL(one.name).pathname.startsWith('/v1/')).length"))


@pytest.mark.parametrize("path", PAGES)
def test_a_page_outlives_its_service(leaving: ServiceProcess, open_page: OpenPage, path: str) -> None:
    watched = open_page(leaving, path)
    page = watched.page
    page.wait_for_selector(PAGES[path])
    leaving.stop()
    try:
        page.wait_for_selector(AWAY, timeout=SAYS_WITHIN_MS)
        assert page.is_visible(PAGES[path])
        assert page.query_selector("[role=alert]") is None
        before = _readings(page)
    finally:
        leaving.start()
    page.wait_for_function(WELL, timeout=SAYS_WITHIN_MS)
    assert _readings(page) > before
    assert watched.errors == []


def test_a_page_says_so_where_its_service_hangs(leaving: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(leaving, f"/sheet/{LINE}").page
    os.kill(leaving.pid, signal.SIGSTOP)
    try:
        page.wait_for_selector(AWAY, timeout=SAYS_WITHIN_MS)
        assert page.is_visible("#oee")
    finally:
        os.kill(leaving.pid, signal.SIGCONT)
    page.wait_for_function(WELL, timeout=SAYS_WITHIN_MS)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_that_was_refused_at_first_as_the_service_was_busy_tries_again(
    leaving: ServiceProcess, open_page: OpenPage, path: str
) -> None:
    def busy(page: Page) -> None:
        page.clock.install()
        page.route("**/v1/**", lambda route: route.fulfill(status=503, json={"title": "Busy", "detail": "Try later."}))

    page = open_page(leaving, path, prepare=busy).page
    assert "Try later." in page.inner_text("[role=alert]")
    page.unroute("**/v1/**")
    page.clock.run_for(6000)
    page.wait_for_selector(PAGES[path])


@pytest.mark.parametrize("path", PAGES)
def test_a_page_that_was_not_answered_at_first_shows_what_it_has_once_it_is(
    leaving: ServiceProcess, browser: Browser, path: str
) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.route("**/v1/**", lambda route: route.abort())
        page.goto(f"{leaving.url}{path}")
        assert "cannot be reached" in page.inner_text("[role=alert]")
        page.unroute("**/v1/**")
        page.wait_for_selector(PAGES[path], timeout=SAYS_WITHIN_MS)
