"""The shift sheet in a real browser: it shows what the API tells, and can be read and used by whoever comes."""

import re

import httpx
import pytest
from playwright.sync_api import Dialog

from tests.browser.conftest import SCREENS, OpenPage
from tests.browser.scenes import HOSTILE, LINE, MISSING, WHOLE, ask
from tests.servers.service import ServiceProcess

SHEET = f"/sheet/{LINE}?shift={WHOLE}"
#: The colour of a page in the dark, in the light, and on paper.
DARK, LIGHT, WHITE = "rgb(21, 24, 27)", "rgb(251, 250, 246)", "rgb(255, 255, 255)"
#: What a double click does.
TWICE = "(button) => { button.click(); button.click(); }"


def _percent(ratio: float) -> str:
    return f"{ratio * 100:.1f} %"


def test_the_oee_on_the_sheet_is_that_of_the_api(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    assert page.inner_text("#oee") == _percent(line.get(f"/v1/kpi/{LINE}", shift=WHOLE)["oee"])
    shown = {one.get_attribute("data-oee"): one.inner_text() for one in page.query_selector_all("[data-oee]")}
    cells = [f"{LINE}/cell-1", f"{LINE}/cell-2"]
    assert shown == {cell: _percent(line.get(f"/v1/kpi/{cell}", shift=WHOLE)["oee"]) for cell in cells}


def test_the_losses_on_the_sheet_lead_from_planned_time_to_good_work(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    rows = page.query_selector_all("section:has(h2:text('From planned time')) tbody tr")
    losses = line.get(f"/v1/losses/{LINE}", shift=WHOLE)
    assert len(rows) == len(losses["steps"]) + 2
    share = losses["good_standard_s"] / losses["planned_s"]
    assert f"({_percent(share)})" in rows[-1].inner_text()


@pytest.mark.parametrize("path", ["/", SHEET, f"/sheet/{LINE}?shift={MISSING}", f"/commissioning/{LINE}/cell-1"])
def test_a_page_says_nothing_on_its_console_and_asks_nobody_else(
    line: ServiceProcess, open_page: OpenPage, path: str
) -> None:
    watched = open_page(line, path)
    watched.page.evaluate("new Promise((done) => requestIdleCallback(done))")
    assert (watched.said, watched.errors, watched.foreign(line)) == ([], [], [])
    assert watched.asked, "the page itself was asked for"


@pytest.mark.parametrize("screen", SCREENS)
def test_no_screen_has_to_be_scrolled_sideways(line: ServiceProcess, open_page: OpenPage, screen: str) -> None:
    page = open_page(line, SHEET, screen=screen).page
    assert page.evaluate("document.documentElement.scrollWidth") <= SCREENS[screen][0]


def test_a_span_is_found_and_its_messages_are_read_by_keys_alone(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.classList.contains('ribbon')"):
            break
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    told = page.evaluate("document.activeElement.getAttribute('aria-valuetext')")
    assert re.search(r"\d\d:\d\d:\d\d to \d\d:\d\d:\d\d", told), told
    assert told in page.inner_text(".readout")
    page.keyboard.press("Enter")
    page.wait_for_selector(".evidence table")
    assert page.evaluate("document.activeElement.textContent") == "Close"
    page.keyboard.press("Escape")
    assert page.query_selector(".evidence") is None
    assert page.evaluate("document.activeElement.classList.contains('ribbon')")


def test_the_last_shift_is_a_sheet_of_its_own_address(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, f"/sheet/{LINE}?shift=last").page
    name = line.get(f"/v1/kpi/{LINE}", shift="last")["shift"].partition("/")[2]
    assert page.inner_text("#head h1").startswith(f"{name.capitalize()} shift, ")


def test_keys_lead_to_the_shift_before_and_back(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    page.keyboard.press("Alt+PageDown")
    page.wait_for_url(re.compile("2026-03-02%2Flate"))
    page.wait_for_selector("#head h1")
    page.keyboard.press("Alt+PageUp")
    page.wait_for_url(re.compile("2026-03-02%2Fearly"))
    page.wait_for_selector("#head h1:text('Early shift')")


def test_a_warning_is_told_to_people_without_the_path_that_programs_go_on_by(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    asked = line.get(f"/v1/questions/{LINE}", shift=MISSING)["questions"][0]
    said = {name: asked[name] for name in ("unit", "start", "end")} | {"reason": "no-panel", "by": "shift-lead"}
    kept = httpx.post(f"{line.url}/v1/reasons", json=said, timeout=60)
    assert kept.status_code == 201, kept.text
    warnings = line.get(f"/v1/kpi/{LINE}", shift=MISSING)["warnings"]
    text = next(one["text"] for one in warnings if one["code"] == "restated")
    told, path, _ = text.partition("; /v1/revisions")
    assert path
    heed = open_page(line, f"/sheet/{LINE}?shift={MISSING}").page.inner_text(".heed")
    assert f"{told}." in heed
    assert "/v1/" not in heed


def test_a_plant_that_is_not_declared_says_what_to_do(empty: ServiceProcess, open_page: OpenPage) -> None:
    assert "No plant is declared yet" in open_page(empty, "/").page.inner_text("main")


def test_a_unit_that_there_is_not_names_those_that_there_are(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, f"/sheet/{LINE}/cell-9").page
    assert "There are: harbour/wing-1/cell-1" in page.inner_text("[role=alert]")


def test_an_address_that_is_no_text_is_a_unit_that_there_is_not(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, "/sheet/%ff").page
    assert "%ff" in page.inner_text("[role=alert]")


def test_hostile_names_stay_text(hostile: ServiceProcess, open_page: OpenPage) -> None:
    watched = open_page(hostile, f"/sheet/{LINE}?shift={WHOLE}")
    page, dialogs = watched.page, list[str]()

    def noted(dialog: Dialog) -> None:
        dialogs.append(dialog.message)
        dialog.dismiss()

    page.on("dialog", noted)
    told = page.inner_text("main")
    assert all(text in told for text in HOSTILE), told
    assert page.query_selector("main img, main script") is None
    page.focus(".ribbon >> nth=1")
    for _ in range(25):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.wait_for_selector(".evidence table, .evidence .none, .evidence .heed")
    assert page.query_selector(".evidence img, .evidence script") is None
    assert (dialogs, watched.errors, watched.said) == ([], [], [])
    assert page.evaluate("document.documentElement.scrollWidth") <= SCREENS["laptop"][0]


def test_a_reason_is_given_in_two_clicks_and_taken_back_in_one(line: ServiceProcess, open_page: OpenPage) -> None:
    watched = open_page(line, SHEET)
    page, before = watched.page, line.get(f"/v1/questions/{LINE}", shift=WHOLE)
    assert before["number"] > 0
    intro = page.inner_text("#asked-intro")
    asked = before["questions"][0]
    row = f"[data-asked='{asked['unit']} {asked['start']}']"
    page.click(f"{row} button:text('Say what it was')")
    page.eval_on_selector(f"{row} button:text('No panel at the cell')", TWICE)
    page.wait_for_selector("text=Kept: it counts for")
    page.wait_for_selector(row, state="detached")
    assert page.inner_text("#asked-intro") != intro
    page.wait_for_selector("h2:text('What people said')")
    after = line.get(f"/v1/questions/{LINE}", shift=WHOLE)
    assert after["number"] == before["number"] - 1
    said = line.get(f"/v1/reasons/{asked['unit']}")["entries"][-1]
    assert (said["reason"], said["by"], said["start"]) == ("no-panel", "shift-lead", asked["start"])
    page.eval_on_selector(f"[aria-label='Undo entry {said['id']}']", TWICE)
    page.wait_for_selector(f"text=undid entry {said['id']}")
    posted = [url.removeprefix(line.url) for url in watched.asked if "/v1/reasons" in url]
    assert posted == ["/v1/reasons", f"/v1/reasons/{said['id']}/undo"]
    assert line.get(f"/v1/questions/{LINE}", shift=WHOLE)["number"] == before["number"]


def test_colours_follow_the_system_until_somebody_chooses_and_paper_is_light(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    page = open_page(line, SHEET, shade="dark").page

    def wait_for(paper: str) -> None:
        page.wait_for_function("(paper) => getComputedStyle(document.body).backgroundColor === paper", arg=paper)

    wait_for(DARK)
    page.emulate_media(color_scheme="light")
    wait_for(LIGHT)
    page.click("header button:text('Dark')")
    wait_for(DARK)
    page.reload()
    page.wait_for_selector("header button:text('Light')")
    wait_for(DARK)
    page.emulate_media(media="print")
    wait_for(WHITE)


def test_the_page_with_its_data_weighs_less_than_300_kib(line: ServiceProcess) -> None:
    page = ask(line, f"/sheet/{LINE}")
    bodies = [page.content, *(ask(line, path).content for path in re.findall(r'"(/assets/[\w.-]+)"', page.text))]
    assert len(bodies) > 10
    bodies.append(ask(line, f"/v1/sheet/{LINE}", shift=WHOLE).content)
    assert sum(map(len, bodies)) < 300 * 1024
    assert min(map(len, bodies)) > 100


def test_a_printed_sheet_is_a4_and_no_longer_than_three_pages(line: ServiceProcess, open_page: OpenPage) -> None:
    printed = open_page(line, SHEET).page.pdf(format="A4", print_background=True)
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([0-9.]+) ([0-9.]+)\]", printed)
    assert 1 <= len(boxes) <= 3
    assert all(abs(float(w) - 595) < 2 and abs(float(h) - 842) < 2 for w, h in boxes), boxes


def test_what_is_no_asset_is_a_problem(line: ServiceProcess) -> None:
    for name in ("nothing.js", "sheet.html", "..%2Froutes%2Fpages.py"):
        answer = ask(line, f"/assets/{name}")
        assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


def test_a_page_may_load_nothing_from_elsewhere_and_nobody_may_frame_it(line: ServiceProcess) -> None:
    policy = ask(line, "/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe-inline" not in policy
    assert "frame-ancestors 'none'" in policy
