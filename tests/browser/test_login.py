"""Logging in and out in a real browser: on every page, back to where one was, and nowhere else."""

from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page

from tests.browser.guarded import CELL, PAGES, SHEET, Guarded, guarded_line
from tests.browser.scenes import LINE
from tests.browser.test_accessible import RULES

FIELD = "#credential"
#: Collects what the browser keeps from being loaded or run, in every document from its begin on.
WATCH = """window.kept = [];
document.addEventListener('securitypolicyviolation', (e) => window.kept.push(`${e.violatedDirective} ${e.blockedURI}`));"""


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    """A service that asks who is there."""
    with guarded_line(tmp_path_factory.mktemp("guarded")) as guarded:
        yield guarded


class Visit:
    """A browser's context at a service, with all addresses that it asked and all errors of its pages."""

    def __init__(self, context: BrowserContext, guarded: Guarded) -> None:
        self.context, self.guarded = context, guarded
        self.asked: list[str] = []
        self.errors: list[str] = []
        context.add_init_script(WATCH)
        context.on("request", lambda request: self.asked.append(request.url))
        context.on("weberror", lambda error: self.errors.append(str(error.error)))
        self.page = context.new_page()

    def go(self, path: str) -> Page:
        """Go to a page, and wait until it shows what it has to."""
        self.page.goto(f"{self.guarded.service.url}{path}")
        self.page.wait_for_selector("#loading", state="detached")
        return self.page

    def log_in(self, key: str) -> None:
        """Give a key on the page to log in at."""
        self.page.fill(FIELD, key)
        self.page.click("text=Log in >> nth=-1")

    def check(self) -> None:
        """Fail where anything came from elsewhere, broke, or was kept from running."""
        assert self.errors == []
        own = urlsplit(self.guarded.service.url).netloc
        assert {urlsplit(url).netloc for url in self.asked} == {own}
        assert self.page.evaluate("window.kept") == []


@pytest.fixture
def visit(browser: Browser, guarded: Guarded) -> Iterator[Visit]:
    """A visit of somebody who is not logged in."""
    with browser.new_context() as context:
        yield Visit(context, guarded)


@pytest.fixture(scope="module")
def reader(guarded: Guarded) -> str:
    """A key that may read."""
    return guarded.key("shift lead", "--scope", "read", "--scope", "reasons")


@pytest.mark.parametrize("name", PAGES)
def test_who_logs_in_on_a_page_is_on_that_page_then(visit: Visit, reader: str, name: str) -> None:
    page = visit.go(PAGES[name])
    assert page.locator(FIELD).is_visible()
    address = page.url
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    assert page.url == address
    assert page.inner_text("#who").split() == ["shift", "lead", "Log", "out"]
    assert page.locator(FIELD).count() == 0
    visit.check()


def test_the_page_of_its_own_leads_to_all_lines(visit: Visit, reader: str) -> None:
    visit.go("/login")
    visit.log_in(reader)
    visit.page.wait_for_selector("text=All lines, as they stand now")
    assert urlsplit(visit.page.url).path == "/"


@pytest.mark.parametrize(
    "query", ["back=//evil.example", "back=https://evil.example/", "next=javascript:alert(1)", "#//evil.example"]
)
def test_no_address_leads_elsewhere_after_logging_in(visit: Visit, reader: str, query: str) -> None:
    page = visit.go(f"/login{'' if query.startswith('#') else '?'}{query}")
    visit.log_in(reader)
    page.wait_for_selector("text=All lines, as they stand now")
    assert page.url == f"{visit.guarded.service.url}/"
    visit.check()


def test_a_path_that_looks_like_another_host_is_a_path(visit: Visit, reader: str) -> None:
    page = visit.go("//evil.example/?day=1")
    address = page.url
    visit.log_in(reader)
    page.wait_for_selector(f"{FIELD}", state="detached")
    assert page.url == address
    visit.check()


def test_who_is_wrong_is_told_so_and_stays(visit: Visit, reader: str) -> None:
    page = visit.go(SHEET)
    visit.log_in("zl_000000000000_" + 43 * "A")
    page.wait_for_selector("#said:has-text('Not logged in. This key, token or session is not known.')")
    assert visit.context.cookies() == []
    visit.log_in(f" Bearer {reader}")  # as it stands in a header that was copied
    page.wait_for_selector("#who button")
    visit.check()


def test_a_key_that_may_not_read_is_told_what_it_lacks_on_the_page_to_log_in_at(visit: Visit, guarded: Guarded) -> None:
    page = visit.go("/")
    visit.log_in(guarded.key("cell gateway", "--scope", "ingest"))
    page.wait_for_selector("#said:has-text('Not logged in. Logging in is for the pages')")
    assert visit.context.cookies() == []


def test_no_script_reads_the_cookie_and_the_key_is_kept_nowhere(visit: Visit, reader: str) -> None:
    page = visit.go("/")
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    (cookie,) = visit.context.cookies()
    assert (cookie["name"], cookie["path"], cookie["httpOnly"], cookie["sameSite"]) == (
        "zoneledger",
        "/",
        True,
        "Strict",
    )
    assert cookie["domain"] == "127.0.0.1"
    assert page.evaluate("document.cookie") == ""
    kept = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}, location.href])")
    assert reader not in kept
    assert cookie["value"] not in kept


def test_who_logs_out_sees_no_page_any_more_not_even_by_going_back(visit: Visit, reader: str) -> None:
    page = visit.go(SHEET)
    visit.log_in(reader)
    page.click("#who button")
    page.wait_for_selector(FIELD)
    assert urlsplit(page.url).path == "/login"
    assert visit.context.cookies() == []
    page.go_back()
    page.wait_for_selector(FIELD)
    assert page.locator("#oee").count() == 0
    visit.check()


def test_who_could_not_be_logged_out_is_told_so(visit: Visit, reader: str) -> None:
    page = visit.go(SHEET)
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    refused = {"detail": "The database takes nothing in."}
    page.route(
        "**/v1/session",
        lambda route: (
            route.fulfill(status=503, json=refused) if route.request.method == "DELETE" else route.continue_()
        ),
    )
    page.click("#who button")
    page.wait_for_selector("text=Not logged out. The database takes nothing in.")
    assert urlsplit(page.url).path == urlsplit(SHEET).path
    page.evaluate("ZL.top('')")  # as each answer that renews the page does
    assert page.is_visible("text=Not logged out. The database takes nothing in.")
    page.unroute_all()
    page.click("#who button")
    page.wait_for_selector(FIELD)


def test_a_page_that_is_open_when_the_session_ends_leads_to_logging_in_and_back(visit: Visit, reader: str) -> None:
    page = visit.go(PAGES["commissioning"])
    visit.log_in(reader)
    page.wait_for_selector("#verdict")
    visit.context.clear_cookies()
    page.wait_for_selector(FIELD, timeout=20_000)
    visit.log_in(reader)
    page.wait_for_selector("#verdict")
    assert urlsplit(page.url).path == PAGES["commissioning"]
    visit.check()


def test_a_live_page_notices_that_the_session_is_over(visit: Visit, reader: str) -> None:
    page = visit.go("/")
    visit.log_in(reader)
    page.wait_for_selector(f"a[href='/commissioning/{CELL}']")
    page.evaluate("setInterval(() => document.dispatchEvent(new Event('visibilitychange')), 200)")
    visit.context.clear_cookies()
    page.wait_for_selector(FIELD, timeout=40_000)
    visit.check()


def test_a_link_of_elsewhere_finds_who_is_logged_in(visit: Visit, reader: str) -> None:
    """The cookie is not sent along with it, so that the page to log in at comes, and sees that nobody has to."""
    page = visit.go("/")
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    visit.context.route(
        "http://elsewhere.example/",
        lambda route: route.fulfill(
            body=f"<a href='{visit.guarded.service.url}{SHEET}'>the sheet</a>", content_type="text/html"
        ),
    )
    page.goto("http://elsewhere.example/")
    page.click("a")
    page.wait_for_selector("#who button")
    assert urlsplit(page.url).path == urlsplit(SHEET).path


def test_a_reason_is_given_by_who_may_and_refused_to_who_may_not(visit: Visit, reader: str) -> None:
    page = visit.go(SHEET)
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    send = """(unit) => fetch('/v1/reasons', { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(
      { unit, start: '2026-03-02T06:00:00Z', end: '2026-03-02T06:10:00Z', reason: null, by: 'shift-lead' }) }).then((r) => r.status)"""
    assert page.evaluate(send, CELL) in (201, 422)
    other = visit.guarded.key("looks only", "--scope", "read")
    page.click("#who button")
    page.wait_for_selector(FIELD)
    visit.log_in(other)
    page.wait_for_selector("#who button")
    assert page.evaluate(send, CELL) == 403


def test_a_page_of_another_origin_can_do_nothing_with_the_session(visit: Visit, reader: str) -> None:
    page = visit.go("/")
    visit.log_in(reader)
    page.wait_for_selector("#who button")
    visit.context.route(
        "http://elsewhere.example/", lambda route: route.fulfill(body="<p>here</p>", content_type="text/html")
    )
    page.goto("http://elsewhere.example/")
    url = visit.guarded.service.url
    read = "(url) => fetch(url + '/v1/units', { credentials: 'include' }).then((r) => r.text(), () => 'kept from it')"
    assert page.evaluate(read, url) == "kept from it"
    end = """(url) => fetch(url + '/v1/session', { method: 'POST', mode: 'no-cors', credentials: 'include', body: '{}' })
      .then(() => 0, () => 0)"""
    page.evaluate(end, url)
    page.evaluate("(url) => { const f = document.createElement('iframe'); f.src = url; document.body.append(f); }", url)
    visit.go("/")
    assert visit.page.locator("#who button").is_visible() or visit.page.wait_for_selector("#who button")


def test_who_reaches_one_cell_sees_the_pages_of_that_cell(visit: Visit) -> None:
    page = visit.go("/")
    visit.log_in(visit.guarded.key("one cell", "--scope", "read", "--unit", CELL))
    page.wait_for_selector(f"a[href='/sheet/{CELL}']")
    assert page.locator("a[href$='cell-2']").count() == 0
    assert page.inner_text("h2") == "wing-1: shift sheet"
    line = f"a[href^='/sheet/{LINE}']:not([href*='cell-1'])"
    assert page.locator(f"{line}, a[href='/sheet/harbour']").count() == 0, "no link leads to what is out of reach"
    visit.go(f"/sheet/{CELL}?day=2026-03-02").wait_for_selector("#oee, #says")
    assert page.inner_text(".trail").split() == ["All", "lines", "/", "harbour", "/", "wing-1", "/", "cell-1"]
    assert page.locator(".trail a").count() == 1
    visit.go(f"/commissioning/{CELL}").wait_for_selector("#verdict")
    refused = visit.go(SHEET)
    assert "out of reach" in refused.inner_text("main")
    visit.check()


def test_axe_finds_nothing_on_the_page_to_log_in_at(visit: Visit) -> None:
    for shade in ("light", "dark"):
        visit.page.emulate_media(color_scheme=shade)
        visit.go("/login")
        found = Axe().run(visit.page, options=RULES).response
        assert found["passes"]
        assert [f"{one['id']}: {one['nodes'][:2]}" for one in found["violations"]] == []


def test_it_can_be_used_by_keys_alone(visit: Visit, reader: str) -> None:
    page = visit.go("/login")
    assert page.evaluate("document.activeElement.id") == "credential"
    page.keyboard.type(reader)
    page.keyboard.press("Enter")
    page.wait_for_selector("#who button")
