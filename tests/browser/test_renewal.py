"""A sheet that is renewed under its reader: what they opened, wrote and stand on stays, and it asks no more than it has to."""

import json
import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, Route

from tests.browser.conftest import OpenPage
from tests.browser.present import CELL, LINE, present_line
from tests.browser.scenes import LINE as PAST_LINE
from tests.browser.scenes import WHOLE
from tests.servers.service import ServiceProcess

PAST = f"/sheet/{PAST_LINE}?shift={WHOLE}"
STREAMS = """
window.streams = [];
const Own = EventSource;
window.EventSource = class extends Own {
  constructor(path) {
    super(path);
    window.streams.push(this);
  }
};
"""
SEEN = """(seen) => {
  Object.defineProperty(document, "hidden", { value: !seen, configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""
#: The page itself, not what it asks.
PAGE = re.compile(r":\d+/sheet/")
STANDS_ON = "document.activeElement.id || document.activeElement.placeholder"


@pytest.fixture(scope="module")
def now(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service with a line whose shift lasts."""
    with present_line(tmp_path_factory.mktemp("renewal")) as service:
        yield service


def _renew(page: Page) -> None:
    """Have a page renewed, as it is when its reader comes back to it, and wait until it is."""
    page.evaluate("window.drawn = document.querySelector('#lost').firstElementChild")
    page.evaluate(SEEN, False)
    page.evaluate(SEEN, True)
    page.wait_for_function("() => !window.drawn.isConnected")


def test_what_the_reader_opened_and_stands_on_stays(line: ServiceProcess, open_page: OpenPage) -> None:
    watched = open_page(line, PAST)
    page = watched.page
    page.click("summary:text('Another window')")
    page.fill(".window input[type=text]", "night")
    page.click("#as-table-summary")
    _renew(page)
    assert page.input_value(".window input[type=text]") == "night"
    assert page.is_visible(".window form")
    assert page.is_visible("#as-table table")
    assert page.evaluate(STANDS_ON) == "as-table-summary"
    page.focus(".who a >> nth=0")
    _renew(page)
    assert page.evaluate("document.activeElement.matches('.who a')")
    assert watched.errors == []


def test_a_reason_that_is_about_to_be_given_is_left_alone(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, PAST).page
    page.click(".asked button:text('Say what it was') >> nth=0")
    page.fill(".asked input", "loose cable")
    _renew(page)
    assert page.input_value(".asked input") == "loose cable"
    assert page.evaluate(STANDS_ON) == "no names of people"


def test_a_page_that_is_not_seen_has_no_stream(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, PAST, prepare=lambda page: page.add_init_script(STREAMS)).page
    states = "window.streams.map((one) => one.readyState)"
    page.wait_for_function(f"() => {states}.join() === '1'")
    page.evaluate(SEEN, False)
    assert page.evaluate(states) == [2]
    page.evaluate(SEEN, True)
    page.wait_for_function(f"() => {states}.join() === '2,1'")


def test_a_sheet_whose_window_has_ended_tells_no_present_state_and_asks_on_for_the_next_shift(
    now: ServiceProcess, open_page: OpenPage
) -> None:
    def over(route: Route) -> None:
        sheet = route.fetch().json()
        route.fulfill(json=sheet | {"until": sheet["end"]})

    page = open_page(now, f"/sheet/{LINE}", prepare=lambda page: page.clock.install()).page
    state = f"[data-state='{CELL}/1']"
    page.wait_for_selector(f"{state}:has-text('now:')")
    page.route("**/v1/sheet/**", over)
    page.clock.run_for(10_500)
    page.wait_for_selector(f"{state}:not(:has-text('now:'))", state="attached")
    page.unroute("**/v1/sheet/**")
    page.clock.run_for(45_000)
    page.wait_for_selector(".nowline", state="attached")


def test_a_page_that_was_saved_has_no_way_to_the_service(line: ServiceProcess, open_page: OpenPage) -> None:
    path = f"/v1/sheet/{PAST_LINE}?shift=2026-03-02%2Fearly"
    answer = line.get(f"/v1/sheet/{PAST_LINE}", shift=WHOLE)

    def saved(route: Route) -> None:
        kept = json.dumps({path: answer}).replace("<", "\\u003c")
        answers = f'<script type="application/json" id="answers">{kept}</script>'
        page = route.fetch().text().replace("<script", f"{answers}<script", 1)
        route.fulfill(body=page, content_type="text/html")

    watched = open_page(line, PAST, prepare=lambda page: page.route(PAGE, saved))
    assert watched.page.inner_text(".trail") == "All lines / harbour / wing-1"
    assert watched.page.eval_on_selector_all("a", "all => all.map((one) => one.getAttribute('href'))") == ["#main"]
    assert watched.errors == []
