"""A history that is summed beforehand, and what is asked of it."""

import time

from benchmarks.year import LAST_US, LINE, NOW_US, SHIFTS, cells_of, fill, settle
from zoneledger.api.times import rfc3339
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.windows import MAX_WINDOW_US
from zoneledger.bootstrap import build_service
from zoneledger.core.calendar import DAY_US
from zoneledger.storage.engines import open_engines
from zoneledger.storage.schema import migrate


async def prepare(database_url: str, plant: str, cells: int, days: int) -> tuple[int, float, float]:
    """Make a history of so many days, and sum it beforehand; return its rows, and the seconds of each of the two."""
    await migrate(database_url)
    engines = open_engines(database_url)
    began_s = time.perf_counter()
    rows = await fill(engines, cells, days)
    filled_s = time.perf_counter()
    service = build_service(database_url, clock=lambda: NOW_US)
    await service.plants.declare(service.store, plant, NOW_US)
    await presum(Presumming(service.store, service.plants, service.now_us, service.limits, rest=0), MAX_WINDOW_US)
    await service.store.close()
    ended_s = time.perf_counter()
    await settle(engines.write)
    await engines.dispose()
    return rows, filled_s - began_s, ended_s - filled_s


def shift_paths(cells: int, days: int) -> list[str]:
    """Return the requests for each shift of the last days, of each cell."""
    dates = [rfc3339(LAST_US - day * DAY_US)[:10] for day in range(1, min(days, 8))]
    return [f"/v1/kpi/{cell}?shift={date}/{shift}" for date in dates for cell in cells_of(cells) for shift in SHIFTS]


def series_path(days: int) -> str:
    """Return the request for the last days by shift of the line."""
    since, until = rfc3339(LAST_US - days * DAY_US), rfc3339(LAST_US)
    return f"/v1/kpi/{LINE}?start={since}&end={until}&by=shift"
