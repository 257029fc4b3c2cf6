"""How the pages' scripts tell times: to the microsecond, by the site's hours, with the day; and ribbons that change."""

import re

from tests.browser.conftest import OpenPage
from tests.browser.scenes import LINE, WHOLE
from tests.servers.service import ServiceProcess

SHEET = f"/sheet/{LINE}?shift={WHOLE}"
DAYS = f"/sheet/{LINE}?start=2026-03-01T00:00:00Z&end=2026-03-04T00:00:00Z"
MARKS = """([zone, start, end]) => {
  const clock = ZL.clockOf(zone);
  return ZL.ticksOf(Date.parse(start), Date.parse(end), clock).ticks.map((tick) => clock.both(new Date(tick)));
}"""
#: An instant, so many seconds, and the instant after them.
INSTANTS = {
    ("2026-03-02T06:00:00Z", 0): "2026-03-02T06:00:00.000000Z",
    ("2026-03-02T06:00:00.123456Z", 1.000001): "2026-03-02T06:00:01.123457Z",
    ("2026-03-02T06:00:00.5Z", 86399.500001): "2026-03-03T06:00:00.000001Z",
    ("2199-12-01T00:00:00.999999Z", 2678400.000001): "2200-01-01T00:00:01.000000Z",
}
#: A ribbon on which somebody stands at 20 s, and whose pieces before that become one.
CHANGED = """() => {
  const unit = "harbour/wing-1/cell-1/1";
  const piece = (from, to) => ({ unit, from, to, state: "running", reason: "process", given: null });
  const none = { origin: 0, clock: ZL.clockOf("UTC"), height: 20, tell: () => {}, open: () => {} };
  const ribbon = ZL.ribbon({ label: "zone", length: 100, pieces: [piece(0, 10), piece(10, 20), piece(20, 30)], ...none });
  document.body.append(ribbon.track);
  ribbon.track.dispatchEvent(new KeyboardEvent("keydown", { key: "End" }));
  ribbon.change([piece(0, 20), piece(20, 40)]);
  return [ribbon.mark.style.left, ribbon.mark.style.width, ribbon.track.getAttribute("aria-valuenow")];
}"""


def test_an_axis_is_marked_at_the_hours_and_midnights_of_the_site(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    summer_begins = ["America/Los_Angeles", "2026-03-07T08:00:00Z", "2026-03-10T07:00:00Z"]
    days = ("Sat 7 Mar", "Sun 8 Mar", "Mon 9 Mar")
    hours = [f"{day} {hour}" for day in days for hour in ("00:00", "08:00", "16:00")]
    assert _plain(page.evaluate(MARKS, summer_begins)) == hours
    week = ["Asia/Tokyo", "2026-03-01T15:00:00Z", "2026-03-08T15:00:00Z"]
    names = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    assert _plain(page.evaluate(MARKS, week)) == [f"{name} {day} Mar 00:00" for day, name in enumerate(names, 2)]


def _plain(told: list[str]) -> list[str]:
    """Return days and times without the comma that some browsers write."""
    return [one.replace(",", "") for one in told]


def test_an_instant_is_exact_to_the_microsecond(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    told = [page.evaluate("([start, seconds]) => ZL.instant(start, seconds)", list(case)) for case in INSTANTS]
    assert told == list(INSTANTS.values())


def test_one_of_a_thing_is_not_told_as_several(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, SHEET).page
    told = page.evaluate('() => [0, 1, 2, 1200].map((one) => ZL.count(one, "stretch", "stretches"))')
    assert told == ["0 stretches", "1 stretch", "2 stretches", "1,200 stretches"]


def test_the_mark_of_a_ribbon_stays_where_it_stands_when_pieces_before_it_change(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    assert open_page(line, SHEET).page.evaluate(CHANGED) == ["20%", "20%", "1"]


def test_times_of_a_window_of_several_days_have_their_day(line: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(line, DAYS).page
    asked = page.inner_text(".asked .figure >> nth=0")
    assert len(re.findall(r"\bMar\b", asked)) == 2, asked
    page.focus(".ribbon >> nth=1")
    page.keyboard.press("Home")
    assert "Sun" in page.inner_text(".readout")
