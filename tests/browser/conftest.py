"""A real browser, a service with an invented line, and pages that are watched for what no page may do."""

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from tests.browser.scenes import hostile_line, played_line, without_a_plant
from tests.servers.chromium import chromium
from tests.servers.fixtures import programs
from tests.servers.service import ServiceProcess

#: The screens that pages have to be read on: in a hall, on a laptop, on a phone.
SCREENS = {"hall": (1920, 1080), "laptop": (1366, 768), "phone": (390, 844)}


@pytest.fixture(scope="module")  # its event loop runs in this thread, where other modules' tests have theirs
def browser() -> Iterator[Browser]:
    """A browser that the tests of a module share, each with a context of its own."""
    with ExitStack() as stack:
        with programs():
            made = stack.enter_context(chromium())
        yield made


@pytest.fixture(scope="session")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service with a whole shift of an invented line, one with missing data, and one of which nothing is known."""
    with played_line(tmp_path_factory.mktemp("line")) as service:
        yield service


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service with a cell whose names are markup, read backwards, and long."""
    with hostile_line(tmp_path_factory.mktemp("hostile")) as service:
        yield service


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service without a plant."""
    with without_a_plant(tmp_path_factory.mktemp("empty")) as service:
        yield service


class Watched:
    """A page, with what it said on its console, the errors in it, and the addresses that it asked."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.said: list[str] = []
        self.errors: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))

    def foreign(self, service: ServiceProcess) -> list[str]:
        """Return the addresses that were asked and are not the service's."""
        return [url for url in self.asked if urlsplit(url).netloc != f"127.0.0.1:{service.port}"]


OpenPage = Callable[..., Watched]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Open a page of a service on a screen, light or dark, and wait until it shows what it has to.

    `prepare` is called with the page before it goes there.
    """
    contexts: list[BrowserContext] = []

    def opened(
        service: ServiceProcess,
        path: str,
        *,
        screen: str = "laptop",
        shade: str = "light",
        prepare: Callable[[Page], None] | None = None,
    ) -> Watched:
        width, height = SCREENS[screen]
        scheme = "dark" if shade == "dark" else "light"
        context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]
        contexts.append(context)
        watched = Watched(context.new_page())
        if prepare is not None:
            prepare(watched.page)
        watched.page.goto(f"{service.url}{path}")
        watched.page.wait_for_selector("#loading", state="detached")
        return watched

    yield opened
    for context in contexts:
        # A page may just be asking again: an answer that a test tells itself would fail in the test after it.
        for page in context.pages:
            page.unroute_all(behavior="ignoreErrors")
        context.close()


@pytest.fixture(scope="session")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where pictures of pages go: docs/pictures where ZONELEDGER_PICTURES asks for that, else a folder of the test run."""
    asked = os.environ.get("ZONELEDGER_PICTURES")
    folder = Path(asked) if asked else tmp_path_factory.mktemp("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    return folder
