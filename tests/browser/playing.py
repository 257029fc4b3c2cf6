"""Pauses of a page that are played rather than waited for."""

import json

import pytest
from playwright.sync_api import Page

WITHIN_MS = 20_000
_STEP_MS = 500


def hasten(page: Page) -> None:
    """Let the page's pauses be played rather than waited for."""
    page.clock.install()


def play(page: Page, length_ms: int) -> None:
    """Play so much of a page's own time, with a little time for its questions to be answered in between."""
    for _ in range(length_ms // _STEP_MS):
        page.clock.run_for(_STEP_MS)
        page.wait_for_timeout(100)


def play_until(page: Page, expression: str) -> None:
    """Play the page's pauses until an expression is true; fails where it is not within 20 s of them."""
    for _ in range(WITHIN_MS // _STEP_MS):
        if page.evaluate(expression):
            return
        play(page, _STEP_MS)
    pytest.fail(f"after {WITHIN_MS} ms of its own time, the page still has not: {expression}")


def play_until_there_is(page: Page, selector: str) -> None:
    """Play the page's pauses until it has an element; fails where it has none within 20 s of them."""
    play_until(page, f"document.querySelector({json.dumps(selector)}) !== null")
