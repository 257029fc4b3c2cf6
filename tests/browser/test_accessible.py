"""The pages held against WCAG 2.2 AA by axe-core, in light and dark."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE, MISSING, NOTHING, WHOLE
from tests.servers.service import ServiceProcess

RULES = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
}
PAGES = {
    "lines": "/",
    "whole": f"/sheet/{LINE}?shift={WHOLE}",
    "missing": f"/sheet/{LINE}?shift={MISSING}",
    "nothing": f"/sheet/{LINE}?shift={NOTHING}",
    "site": "/sheet/harbour?day=2026-03-02",
    "cell": f"/sheet/{LINE}/cell-1?shift={WHOLE}",
    "no-such-unit": "/sheet/harbour/wing-9",
    "commissioning": f"/commissioning/{LINE}/cell-1",
}


def _violations(page: object) -> list[str]:
    found = Axe().run(page, options=RULES).response
    assert found["passes"], "axe has looked at something"
    return [f"{one['id']}: {[node['html'][:120] for node in one['nodes'][:3]]}" for one in found["violations"]]


@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing(line: ServiceProcess, open_page: OpenPage, name: str) -> None:
    assert _violations(open_page(line, PAGES[name]).page) == []


@pytest.mark.parametrize("name", ["lines", "missing", "commissioning"])
def test_axe_finds_nothing_in_the_dark(line: ServiceProcess, open_page: OpenPage, name: str) -> None:
    assert _violations(open_page(line, PAGES[name], shade="dark").page) == []


def test_axe_finds_nothing_beside_open_evidence(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, PAGES["whole"]).page
    page.click(".ribbon >> nth=1")
    page.wait_for_selector(".evidence table, .evidence .none")
    assert _violations(page) == []


#: What the style sheet gives a fault, on a sign and on a ribbon.
SIGN_OF_FAULT, FAULT = "rgb(181, 42, 32)", [0xC5, 0x35, 0x2B]
DRAWN_IN = """(colour) => [...document.querySelectorAll('.ribbon canvas')].some((canvas) => {
  const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
  for (let k = 0; k < data.length; k += 4) if (colour.every((part, n) => data[k + n] === part)) return true;
  return false;
})"""


def test_states_keep_their_colours_and_nothing_moves_where_the_reader_asked_for_that(
    line: ServiceProcess, browser: Browser, pictures: Path
) -> None:
    with browser.new_context(forced_colors="active", reduced_motion="reduce") as context:
        page = context.new_page()
        page.goto(f"{line.url}{PAGES['whole']}")
        page.wait_for_selector("#oee")
        styled = "(query) => ({ ...getComputedStyle(document.querySelector(query)) })"
        assert page.evaluate("matchMedia('(forced-colors: active)').matches")
        assert page.evaluate(styled, ".key .sign.fault > b")["backgroundColor"] == SIGN_OF_FAULT
        assert page.evaluate(DRAWN_IN, FAULT)
        assert page.evaluate(styled, ".mark")["transitionDuration"] == "0s"
        assert all("gradient" in page.evaluate(styled, one)["backgroundImage"] for one in (".stop", ".key .stopsign"))
        bar, cell = (page.evaluate(styled, one)["backgroundColor"] for one in (".share", "td.bar"))
        assert bar != cell
        page.screenshot(path=pictures / "whole-forced-colours.png")


def test_axe_finds_nothing_on_a_phone(line: ServiceProcess, open_page: OpenPage) -> None:
    assert _violations(open_page(line, PAGES["whole"], screen="phone").page) == []


def test_axe_finds_nothing_on_an_empty_plant(empty: ServiceProcess, open_page: OpenPage) -> None:
    assert _violations(open_page(empty, "/").page) == []
