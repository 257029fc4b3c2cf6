"""What a sheet says where time is unknown: bounds, no comparison that they do not bear out, and never 0 for what nobody knows."""

import re
from typing import Any

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE, MISSING, NOTHING, WHOLE
from tests.servers.service import ServiceProcess

SHEET = f"/sheet/{LINE}?shift={WHOLE}"


def _percent(ratio: float) -> str:
    return f"{ratio * 100:.1f} %"


def _figures(oee: float | None, low: float | None, high: float | None, known: float = 1) -> dict[str, Any]:
    return {"oee": oee, "oee_bounds": [low, high], "known": known}


#: Figures, and how their OEE is told.
TOLD: list[tuple[dict[str, Any], str]] = [
    (_figures(0.7221, 0.7221, 0.7221), "72.2 %"),
    (_figures(0.7221, 0.7219, 0.7223), "72.2 %"),
    (_figures(0.722, 0.7, 0.75, 0.95), "72.2 % (between 70.0 % and 75.0 %)"),
    (_figures(0.5, 0.1, 0.9, 0.2), "between 10.0 % and 90.0 %"),
    (_figures(None, 0, 0.8), "between 0.0 % and 80.0 %"),
    (_figures(None, 0, 1, 0), "unknown"),
    (_figures(None, None, None), "–"),
]
SURE = _figures(0.7, 0.7, 0.7)
#: Two windows, and how the OEE of the first lies to that of the second.
APART: list[tuple[dict[str, Any], dict[str, Any], str | None]] = [
    (SURE, SURE, "as much"),
    (SURE, _figures(0.65, 0.65, 0.65), "5.0 points more"),
    (_figures(0.6, 0.58, 0.66), SURE, "10.0 points less"),
    (_figures(0.69, 0.66, 0.74), SURE, None),
    (SURE, _figures(0.72, 0.7, 0.76), None),
    (_figures(0.4, 0.2, 0.6, 0.6), SURE, "less"),
    (SURE, _figures(None, 0, 0.6), "more"),
]


def test_an_oee_is_told_with_its_bounds_or_by_them_alone(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    assert [page.evaluate("(figures) => ZL.oee(figures)", figures) for figures, _ in TOLD] == [told for _, told in TOLD]


def test_no_oee_is_called_more_or_less_than_another_where_their_bounds_overlap(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    page = open_page(line, SHEET).page
    lies = '([own, other]) => ZL.apart(own, other, ["less", "more", "as much"])'
    assert [page.evaluate(lies, [own, other]) for own, other, _ in APART] == [told for *_, told in APART]


def test_missing_data_is_said_and_the_oee_has_its_bounds(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, f"/sheet/{LINE}?shift={MISSING}").page
    kpi = line.get(f"/v1/kpi/{LINE}", shift=MISSING)
    assert kpi["time_s"]["unknown"] > 600
    low, high = kpi["oee_bounds"]
    between = f"between {_percent(low)} and {_percent(high)}"
    assert between in page.inner_text(".heed")
    assert f"{_percent(kpi['oee'])} OEE, surely {between}" in page.inner_text(".sentence")
    says, made = page.inner_text("#says"), kpi["fasteners"]
    assert f"At least {made['made']:,} fasteners made, at least {made['good']:,} of them good; at least " in says
    assert re.search(r"at least \d+ good per planned hour", says)
    first = line.get(f"/v1/kpi/{LINE}/cell-1", shift=MISSING)["fasteners"]["made"]
    assert f"at least {first:,} made" in page.inner_text(".cells")
    assert page.inner_text(".cells").count("worked at least") == 4


def test_where_much_is_unknown_the_bounds_alone_are_told(line: ServiceProcess, open_page: OpenPage) -> None:
    """Of these three hours the last two are those of a shift of which nothing is known."""
    asked = {"start": "2026-03-02T20:30:00Z", "end": "2026-03-02T23:30:00Z"}
    kpi = line.get(f"/v1/kpi/{LINE}", **asked)
    low, high = kpi["oee_bounds"]
    assert high - low > 0.1
    page = open_page(line, f"/sheet/{LINE}?start={asked['start']}&end={asked['end']}").page
    assert page.inner_text("#oee") == f"between {_percent(low)} and {_percent(high)}"
    assert _percent(kpi["oee"]) not in page.inner_text("#says")
    assert page.query_selector(".scale .is") is None
    assert page.query_selector(".scale .doubt") is not None
    assert all(one.inner_text().startswith("between ") for one in page.query_selector_all("[data-oee]"))
    assert f"Good work by the standard (at least {_percent(low)})" in page.inner_text("#lost")
    says = page.inner_text(".sentence")
    assert re.search(r"; it may be under or over the promised 75 %; the time before: [\d.]+ % \(between ", says), says


def test_what_cannot_be_told_apart_is_not_called_more_or_less(line: ServiceProcess, open_page: OpenPage) -> None:
    """The shift with missing data lies, as far as anybody knows, on either side of the one before."""
    before, kpi = (line.get(f"/v1/kpi/{LINE}", shift=shift) for shift in (WHOLE, MISSING))
    assert kpi["oee_bounds"][0] < before["oee_bounds"][0] < kpi["oee_bounds"][1]
    says = open_page(line, f"/sheet/{LINE}?shift={MISSING}").page.inner_text(".sentence")
    assert f"; the shift before: {_percent(before['oee'])}" in says
    assert "than the shift before" not in says


def test_a_promised_rate_stands_beside_the_rate_that_it_is_held_against(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    good = line.get(f"/v1/kpi/{LINE}", shift=WHOLE)["fasteners_per_hour"]["good"]
    says = open_page(line, SHEET).page.inner_text("#says")
    assert f"{good:.0f} good per planned hour of a cell (promised: 700)" in says


def test_a_line_says_that_its_figures_are_added_up_over_its_cells_and_a_cell_does_not(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    words = "added up over 2 cells: an hour of the clock is up to 2 hours of planned time"
    assert words in open_page(line, SHEET).page.inner_text("#says")
    assert "added up" not in open_page(line, f"/sheet/{LINE}/cell-1?shift={WHOLE}").page.inner_text("#says")


def test_a_shift_of_which_nothing_is_known_is_told_as_unknown_and_never_as_zero(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    page = open_page(line, f"/sheet/{LINE}?shift={NOTHING}").page
    assert "Unknown" in page.inner_text(".sentence")
    assert page.query_selector("#oee") is None
    assert page.query_selector(".scale") is None
    assert "between 0.0 % and 100.0 %" in page.inner_text(".heed")
    assert "0.0 %" not in page.inner_text(".sentence") + page.inner_text(".cells")
    words = page.eval_on_selector_all("[data-words]", "all => all.map((one) => one.textContent)")
    assert set(words) == {"together", "nothing is known of it"}
    assert {one.inner_text() for one in page.query_selector_all("[data-oee]")} == {"unknown"}
    lost = page.eval_on_selector_all("#lost tr", "all => all.map((one) => one.innerText.split('\\t').slice(0, 3))")
    steps = {name.strip(): [one.strip() for one in told] for name, *told in lost}
    assert steps["stopped by alarms"] == ["–", "–"]
    assert steps["unknown: no evidence"] == ["15 h 00 min", "–"]
    asked = page.inner_text("#asked-intro")
    assert "has its reason" not in asked
    assert "of planned time is unknown" in asked
    assert page.query_selector("#rest section table:not(details table)") is None, "no program was seen to be done"
    table = page.eval_on_selector_all("#as-table tbody td:last-child", "all => all.map((one) => one.textContent)")
    assert set(table) == {"–"}, "nothing is known to have been made or not"


def test_that_no_panel_was_seen_is_not_told_as_that_there_was_none(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, f"/sheet/{LINE}?day=2026-03-01").page
    assert re.search(r"No panel was seen in this time, of which [\d ]+h \d\d min is unknown", page.inner_text("#rest"))
