"""What a reader at six in the morning is told: what is lost apart from what is unknown, of which cells, and no word torn apart."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE, MISSING, NOTHING, WHOLE
from tests.servers.service import ServiceProcess

SHEET = f"/sheet/{LINE}?shift={WHOLE}"
CELLS = (f"{LINE}/cell-1", f"{LINE}/cell-2")
LOST = "#lost .two .wide"
#: The words of a table that stand on more than one line of text: each is a range of its own.
TORN = """(query) => {
  const torn = [];
  for (const bdi of document.querySelectorAll(`${query} bdi.words, ${query} .sign`)) {
    const walker = document.createTreeWalker(bdi, NodeFilter.SHOW_TEXT);
    for (let text = walker.nextNode(); text; text = walker.nextNode()) {
      for (const word of text.data.matchAll(/[^ ]+/g)) {
        const range = document.createRange();
        range.setStart(text, word.index);
        range.setEnd(text, word.index + word[0].length);
        if (range.getClientRects().length > 1) torn.push(word[0]);
      }
    }
  }
  return torn;
}"""
#: By how much a table is wider than the place that it has.
OVERHANG = "(query) => { const wide = document.querySelector(query); return wide.scrollWidth - wide.clientWidth; }"


def _telling(change: Callable[[dict[str, Any]], None], path: str = "**/v1/sheet/**") -> Callable[[Page], None]:
    """Return what lets the service's own answer be told with a change."""

    def answer(route: Route) -> None:
        told = route.fetch()
        body = told.json()
        change(body)
        route.fulfill(response=told, json=body)

    def prepare(page: Page) -> None:
        page.route(path, answer)

    return prepare


@pytest.mark.parametrize("shift", [WHOLE, MISSING, NOTHING])
def test_on_a_phone_no_word_of_the_losses_is_torn_apart_and_no_column_is_cut_off(
    line: ServiceProcess, open_page: OpenPage, shift: str
) -> None:
    page = open_page(line, f"/sheet/{LINE}?shift={shift}", screen="phone").page
    assert page.locator(f"{LOST} tbody tr").count() > 0
    assert page.evaluate(TORN, LOST) == []
    assert page.evaluate(OVERHANG, LOST) == 0


def test_unknown_time_is_told_apart_from_losses_and_by_cell(line: ServiceProcess, open_page: OpenPage) -> None:
    says = open_page(line, f"/sheet/{LINE}?shift={MISSING}").page.inner_text("#says")
    lost, mark, unknown = says.partition("Most was lost to: ")[2].partition(" Unknown: ")
    assert mark, says
    assert "messages missing" not in lost
    named = unknown.partition("(")[2].partition(")")[0]
    assert {one.split()[0] for one in named.split("; ")} == {"cell-1", "cell-2"}
    cell = open_page(line, f"/sheet/{LINE}/cell-1?shift={MISSING}").page.inner_text("#says")
    assert "cell-1" not in cell.partition(" Unknown: ")[2].partition(".")[0]


def test_what_was_lost_while_the_cell_ran_is_among_what_most_was_lost_to(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    def slower(sheet: dict[str, Any]) -> None:
        (speed,) = (one for one in sheet["losses"]["steps"] if one["step"] == "speed")
        speed["lost_s"] = 7 * 3600

    says = open_page(line, SHEET, prepare=_telling(slower)).page.inner_text("#says")
    assert "Most was lost to: slower than the standard 7 h" in says


def test_factors_of_little_that_is_known_say_of_how_much_they_are(line: ServiceProcess, open_page: OpenPage) -> None:
    def vague(sheet: dict[str, Any]) -> None:
        for cell in sheet["cells"]:
            cell["figures"] |= {"oee_bounds": [0.1, 0.9], "known": 0.01}
            cell["figures"]["time_s"]["unknown"] = cell["figures"]["planned_s"] - 120

    page = open_page(line, SHEET).page
    assert "of the known" not in page.inner_text("main")
    page = open_page(line, SHEET, prepare=_telling(vague)).page
    assert page.inner_text(".factors >> nth=0").split("\n")[-2:] == ["of the known", "2 min"]


def test_unknown_time_stands_last_among_the_losses(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, f"/sheet/{LINE}?shift={MISSING}").page
    states = page.eval_on_selector_all(f"{LOST} .sign", "all => all.map((one) => one.textContent.split(' ')[1])")
    assert "unknown" in states
    assert states == sorted(states, key=lambda state: state == "unknown")


def test_a_cell_of_which_nothing_ever_came_is_told_as_not_heard_of_yet(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    def unheard(sheet: dict[str, Any]) -> None:
        last = sheet["cells"][1]
        sheet["reason_names"].append(None)
        own = last["ribbons"][0]
        length_s = own["to_s"][-1]
        own |= {"to_s": [length_s], "states": "U", "reasons": [len(sheet["reason_names"]) - 1]}
        own |= {"given": {}, "given_ids": {}}
        last["figures"]["time_s"]["unknown"] = length_s

    page = open_page(line, f"/sheet/{LINE}?shift={MISSING}", prepare=_telling(unheard)).page
    unknown = page.inner_text("#says").partition(" Unknown: ")[2]
    assert "(cell-2 " in unknown
    assert unknown.partition("cell-2 ")[2].partition(";")[0].endswith("min, not heard of yet")


def test_the_first_page_tells_a_zone_that_never_sent_from_one_that_fell_silent(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    def unheard(units: dict[str, Any]) -> None:
        [zone, other] = units["sites"][0]["lines"][0]["cells"][0]["zones"]
        zone |= {"state": "unknown", "reason": None, "since": None}
        other |= {"state": "unknown", "reason": "silence"}

    page = open_page(line, "/", prepare=_telling(unheard, "**/v1/units")).page
    assert page.inner_text(f"[data-unit='{CELLS[0]}/1']").endswith("unknown, never heard of")
    assert "nothing heard since" in page.inner_text(f"[data-unit='{CELLS[0]}/2']")


def test_of_a_cell_a_wait_for_the_head_is_a_loss_in_words_of_its_own(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    told = page.evaluate(
        """(units) => units.map((unit) => {
          const piece = { unit, state: "idle", reason: "head" };
          return [ZL.because(piece, ""), ZL.isHeadWait(piece)];
        })""",
        [CELLS[0], f"{CELLS[0]}/1"],
    )
    assert told == [["no zone works, one waits for the head", False], ["waits for the head", True]]
    assert "waits for the head: the cell loses nothing" in page.inner_text(".key")


def test_a_line_names_the_cells_whose_controllers_count_others_than_were_received(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    def counted(sheet: dict[str, Any]) -> None:
        sheet["figures"]["warnings"].append({"code": "unseen", "text": "The controller counts 822 fasteners more."})
        for cell, number in zip(sheet["cells"], (0, 822), strict=True):
            cell["figures"]["fasteners"]["unseen"] = number

    heed = open_page(line, SHEET, prepare=_telling(counted)).page.inner_text(".heed")
    assert "The controller counts 822 fasteners more. By cell: cell-2 822 more." in heed


@pytest.mark.parametrize(("minutes", "young"), [(29, True), (30, False)])
def test_in_its_first_half_hour_a_shift_is_held_against_nothing(
    line: ServiceProcess, open_page: OpenPage, minutes: int, young: bool
) -> None:
    def begun(sheet: dict[str, Any]) -> None:
        sheet["until"] = f"{sheet['start'][:11]}06:{minutes:02}:00Z"

    assert line.get(f"/v1/sheet/{LINE}", shift=MISSING)["previous"]
    page = open_page(line, f"/sheet/{LINE}?shift={WHOLE}", prepare=_telling(begun)).page
    says = page.inner_text("#says")
    assert (f"this shift is only {minutes} min old, too early to compare" in says) is young
    assert ("promised" not in says) is young
    assert (page.query_selector(".scale .promised") is None) is young


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        (["cell-8"], "cell-8: its ledger is kept, and counts again once it is declared."),
        (["cell-8", "cell-9"], "cell-8, cell-9: their ledger is kept, and counts again once they are declared."),
    ],
)
def test_one_cell_that_is_not_declared_is_told_as_one(
    line: ServiceProcess, open_page: OpenPage, cells: list[str], words: str
) -> None:
    change = _telling(lambda units: units.update(undeclared=cells), "**/v1/units")
    assert words in open_page(line, "/", prepare=change).page.inner_text(".heed")
