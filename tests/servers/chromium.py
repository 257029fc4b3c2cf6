"""A real browser for the tests of pages: the Chromium of the machine, driven by playwright."""

from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

from tests.servers.programs import ProgramMissing, find_program

NAMES = ("chromium", "chromium-browser", "google-chrome")


def find_chromium() -> str:
    """Return the path of the machine's Chromium; raise ProgramMissing, which names what installs it."""
    for name in NAMES[1:]:
        try:
            return str(find_program(name))
        except ProgramMissing:
            continue
    return str(find_program(NAMES[0]))


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run a browser; raises ProgramMissing where there is none."""
    path = find_chromium()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-dev-shm-usage"])
        try:
            yield browser
        finally:
            browser.close()
