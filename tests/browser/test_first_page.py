"""The first page: what the present shift of each line has come to, and a reader who is left where they are."""

import re
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest

from tests.browser.conftest import OpenPage
from tests.browser.present import CELL, LINE, MADE, WITHOUT_SHIFTS, clear, present_line, send
from tests.servers.service import ServiceProcess


@pytest.fixture(scope="module")
def now(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service with a line whose shift lasts; the last test ends its fault."""
    with present_line(tmp_path_factory.mktemp("now")) as service:
        yield service


def test_a_line_tells_what_its_present_shift_has_come_to(now: ServiceProcess, open_page: OpenPage) -> None:
    watched = open_page(now, "/")
    place = f"[data-so-far='{LINE}']"
    watched.page.wait_for_selector(f"{place}:has-text('fasteners made')")
    words = watched.page.inner_text(place)
    told = re.fullmatch(
        rf"Early shift so far: OEE between ([\d.]+) % and ([\d.]+) %, at least {MADE} fasteners made; "
        r"\d+ min of planned time is unknown\.",
        words,
    )
    assert told, words
    bounds = now.get(f"/v1/kpi/{LINE}", shift="now")["oee_bounds"]
    shown = [float(one) / 100 for one in told.groups()]
    assert shown == pytest.approx(bounds, abs=0.005), "time goes on between the two readings"
    assert (watched.errors, watched.said) == ([], [])


def test_the_present_shift_is_that_of_the_services_clock(now: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(now, "/", prepare=lambda page: page.clock.set_system_time("2026-01-05T12:00:00Z")).page
    page.wait_for_selector(f"[data-so-far='{LINE}']:has-text('fasteners made')")


def test_the_page_asks_for_no_more_of_the_plant_than_its_units(now: ServiceProcess, open_page: OpenPage) -> None:
    """Who may not see all of the plant may see this page all the same; and it is of one answer, and so of one plant."""
    watched = open_page(now, "/")
    assert "quay · UTC" in watched.page.inner_text("main")
    assert "/v1/plant" not in {urlsplit(url).path for url in watched.asked}
    assert watched.errors == []


def test_a_line_without_a_present_shift_tells_nothing_of_it(now: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(now, "/").page
    page.wait_for_selector(f"[data-so-far='{LINE}']:has-text('fasteners made')")
    page.wait_for_function("() => performance.getEntriesByType('resource').some((one) => one.name.includes('line-2'))")
    assert page.locator(f"[data-so-far='{WITHOUT_SHIFTS}']").is_hidden()


def test_a_shift_of_which_nothing_is_known_so_far_is_not_told_as_nothing_made(
    line: ServiceProcess, open_page: OpenPage
) -> None:
    page = open_page(line, "/").page
    page.wait_for_selector("[data-so-far]:has-text('so far: unknown, as no evidence came.')")


def test_who_stands_on_a_link_is_left_there_when_a_state_changes(now: ServiceProcess, open_page: OpenPage) -> None:
    page = open_page(now, "/").page
    zone, link = f"[data-unit='{CELL}/1']", f"a[href='/commissioning/{CELL}']"
    page.wait_for_selector(f"{zone} .unknown")  # nothing came since the fault
    page.focus(link)
    last = now.get(f"/v1/evidence/{CELL}", **_last_hour(now), limit=1000)["messages"][-1]
    send(now, [clear(last["seq"] + 1)])
    page.wait_for_selector(f"{zone}:not(:has(.unknown))")
    assert page.evaluate("document.activeElement.getAttribute('href')") == f"/commissioning/{CELL}"


def _last_hour(service: ServiceProcess) -> dict[str, str]:
    sheet = service.get(f"/v1/sheet/{LINE}")
    return {"start": sheet["start"], "end": sheet["until"]}
