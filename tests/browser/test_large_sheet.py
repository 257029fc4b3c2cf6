"""A week of 60 zones: the sheet is condensed for it, and drawn within a second."""

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from benchmarks.year import LAST_US, LINE, fill, plant_of
from tests.browser.conftest import OpenPage
from tests.faults.launching import ForkedService
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.core.calendar import DAY_US
from zoneledger.storage.engines import open_engines
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore

CELLS, DAYS = 30, 7
WEEK = f"start={rfc3339(LAST_US - DAYS * DAY_US)}&end={rfc3339(LAST_US)}"


async def _fill(url: str) -> None:
    await migrate(url)
    engines = open_engines(url)
    await fill(engines, CELLS, DAYS)
    await SqlStore(engines).close()


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServiceProcess]:
    """A service with a generated week of 30 cells of two zones."""
    folder = tmp_path_factory.mktemp("week")
    url, plant = f"sqlite:///{folder / 'week.db'}", folder / "plant.json"
    plant.write_text(plant_of(CELLS))
    with ThreadPoolExecutor(1) as thread:  # the browser's event loop runs in this one
        thread.submit(asyncio.run, _fill(url)).result()
    with ForkedService("--database", url, "--plant", str(plant)) as service:
        yield service


def test_a_week_of_60_zones_is_drawn_within_a_second_and_leads_to_each_stretch(
    week: ServiceProcess, open_page: OpenPage
) -> None:
    watched = open_page(week, f"/sheet/{LINE}?{WEEK}", screen="hall")
    page = watched.page
    shown_ms = page.evaluate("performance.getEntriesByName('shown')[0].duration")
    assert page.locator(".ribbon").count() == CELLS * 3
    assert watched.errors == []
    assert shown_ms < 1000
    page.click(".ribbon >> nth=1", position={"x": 40, "y": 5})
    page.wait_for_selector(".evidence >> text=what held longest")
    page.click(".evidence a")
    page.wait_for_selector("#head h1")
    assert page.locator(".ribbon").count() == CELLS * 3


def test_condensed_ribbons_cover_the_week(week: ServiceProcess) -> None:
    start, end = WEEK.split("&")
    sheet = week.get(f"/v1/sheet/{LINE}", start=start[6:], end=end[4:])
    assert sheet["part_s"] == pytest.approx(DAYS * 86_400 / 480)
    ribbons = [ribbon for cell in sheet["cells"] for ribbon in cell["ribbons"]]
    assert {ribbon["to_s"][-1] for ribbon in ribbons} == {DAYS * 86_400.0}
    assert all(len(ribbon["to_s"]) == len(ribbon["states"]) == len(ribbon["reasons"]) for ribbon in ribbons)
