"""The figures' sums and groups against DuckDB, which is given the ledger's spans and the simulator's fasteners as tables."""

from collections.abc import Awaitable, Callable
from typing import Any

import duckdb
import httpx

from tests.scenarios.truth import rfc3339
from zoneledger.clock import now_us
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.http import HttpSender
from zoneledger_sim.plant import plant_document
from zoneledger_sim.run import simulate

START_US = 1_773_036_000_000_000  # 2026-03-09T06:00:00Z: the early shift begins, Lisbon is at UTC
HOUR_US = 3_600_000_000
CELLS = ("harbour/wing-1/cell-1", "harbour/wing-1/cell-2")
#: The demo's line stops for a meal from 10:00 to 10:30 local time.
MEAL = (START_US + 4 * HOUR_US, START_US + 4 * HOUR_US + HOUR_US // 2)

Get = Callable[..., Awaitable[dict[str, Any]]]

_TIME = """
    SELECT unit, state, sum(epoch_us(least(finish, piece_end)) - epoch_us(greatest(start, piece_start))) / 1e6
    FROM spans JOIN pieces ON start < piece_end AND finish > piece_start
    GROUP BY unit, state
"""
_COUNT = """
    SELECT cell, final, count(*) FROM made JOIN pieces ON made_at >= piece_start AND made_at < piece_end GROUP BY cell, final
"""


async def test_times_and_counts_are_what_duckdb_sums(api: httpx.AsyncClient, get: Get) -> None:
    scenario = demo_scenario(seed=11)
    assert (await api.put("/v1/plant", json=plant_document(scenario))).status_code == 200
    end_us = START_US + 8 * HOUR_US
    times = {"start_us": START_US, "until_us": end_us, "now_us": now_us}
    truth = await simulate(scenario, sender=HttpSender(api), **times)  # type: ignore[arg-type]
    window = {"start": rfc3339(START_US), "end": rfc3339(end_us)}
    with duckdb.connect() as db:
        db.execute("SET TimeZone = 'UTC'")
        db.execute("CREATE TABLE spans (unit TEXT, start TIMESTAMPTZ, finish TIMESTAMPTZ, state TEXT)")
        db.execute("CREATE TABLE made (cell TEXT, made_at TIMESTAMPTZ, final TEXT)")
        db.execute("CREATE TABLE pieces (piece_start TIMESTAMPTZ, piece_end TIMESTAMPTZ)")
        pieces = [(START_US, MEAL[0]), (MEAL[1], end_us)]
        db.executemany("INSERT INTO pieces VALUES (?, ?)", [(rfc3339(a), rfc3339(b)) for a, b in pieces])
        for cell in CELLS:
            for one in (await get(f"/v1/timeline/{cell}", **window))["units"]:
                rows = [(one["unit"], span["start"], span["end"], span["state"]) for span in one["spans"]]
                db.executemany("INSERT INTO spans VALUES (?, ?, ?, ?)", rows)
            made = [one for zone in "12" for one in truth.records[f"{cell}/{zone}"].made]
            columns = [rfc3339(one.at_us) for one in made], [one.final for one in made]
            db.execute("INSERT INTO made SELECT ?, unnest(?::TIMESTAMPTZ[]), unnest(?::TEXT[])", [cell, *columns])
        summed = {(unit, state): seconds for unit, state, seconds in db.execute(_TIME).fetchall()}
        counted = {(cell, result): number for cell, result, number in db.execute(_COUNT).fetchall()}
    for unit in (*CELLS, *(f"{cell}/{zone}" for cell in CELLS for zone in "12")):
        kpi = await get(f"/v1/kpi/{unit}", **window)
        assert kpi["planned_s"] == 7.5 * 3600
        assert kpi["time_s"] == {state: summed.get((unit, state), 0) for state in kpi["time_s"]}
    for cell in CELLS:
        fasteners = (await get(f"/v1/kpi/{cell}", **window))["fasteners"]
        results = ("good", "rework", "reject")
        assert {name: fasteners[name] for name in results} == {name: counted.get((cell, name), 0) for name in results}
