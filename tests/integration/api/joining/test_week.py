"""The week in which a cell joined its line, as every reader tells it."""

import pytest

from tests.integration.api.joining.story import HOUR_S, LINE, NEW, NOW_US, OLD, WEEK, Told, presum_all
from zoneledger.application.shift_figures import read_shift_figures
from zoneledger.application.windows import Window
from zoneledger.bootstrap import Service
from zoneledger.core.calendar import HOUR_US
from zoneledger.core.shifts import find_instance


async def test_the_week_in_which_a_cell_joined_is_what_is_worked_out_by_hand(joined: Told, service: Service) -> None:
    # Planned: seven days of 16 h of the first cell, and four of the second, 112 + 64 = 176 h. Run: 7 x 8 + 4 x 8 = 88 h.
    # Made: 7 x 240 = 1680 and 4 x 320 = 1280, good of them 1680 + 1200 = 2880, of 60 s each: 172,800 s.
    # OEE = 172,800 / 633,600 = 3/11. Calendar: 168 h and 96 h; TEEP = 172,800 / 950,400 = 2/11.
    for _ in ("off the ledger", "off pre-sums"):
        for unit in (LINE, "bench"):
            kpi = await joined.get(f"kpi/{unit}", **WEEK)
            assert kpi["planned_s"] == 176 * HOUR_S
            assert kpi["time_s"] == {
                "running": 88 * HOUR_S,
                "idle": 88 * HOUR_S,
                "fault": 0,
                "changeover": 0,
                "unknown": 0,
            }
            assert kpi["known"] == 1
            assert kpi["oee_bounds"] == [kpi["oee"], kpi["oee"]]
            assert (kpi["availability"], kpi["utilisation"]) == (0.5, 0.5)
            assert kpi["oee"] == pytest.approx(3 / 11)
            assert kpi["teep"] == pytest.approx(2 / 11)
            assert kpi["quality"] == pytest.approx(2880 / 2960)
            assert kpi["fasteners_per_hour"]["planned"] == pytest.approx(2960 / 176)
            fasteners = {name: kpi["fasteners"][name] for name in ("made", "good", "reject", "outside_planned")}
            assert fasteners == {"made": 2960, "good": 2880, "reject": 80, "outside_planned": 100}
        days = (await joined.get(f"kpi/{LINE}", by="day", **WEEK))["series"]
        assert [day["planned_s"] / HOUR_S for day in days] == [16, 16, 16, 32, 32, 32, 32]
        shifts = (await joined.get(f"kpi/{LINE}", by="shift", **WEEK))["series"]
        # The night from Wednesday to Thursday has 8 h of the first cell, and of the second 6 h from midnight on.
        assert [one["planned_s"] / HOUR_S for one in shifts] == [8] * 5 + [14] + [16] * 8
        assert shifts[5]["shift"] == "2026-03-04/night"
        assert all(one["known"] == 1 for one in [*days, *shifts[:-1]])
        await presum_all(service)


async def test_every_reader_of_the_week_leaves_out_what_was_before(joined: Told) -> None:
    losses = await joined.get(f"losses/{LINE}", **WEEK)
    assert losses["planned_s"] == 176 * HOUR_S
    steps = {step["step"]: step["lost_s"] for step in losses["steps"]}
    assert steps == {
        "unknown": 0,
        "fault": 0,
        "changeover": 0,
        "idle": 88 * HOUR_S,
        "minor_stops": 0,
        "speed": 88 * HOUR_S - 2960 * 60,
        "rework": 0,
        "reject": 80 * 60,
    }
    assert [(row["item"], row["reject"]) for row in losses["items"]["rows"]] == [(None, 80)]
    rates = await joined.get(f"rates/{LINE}", **WEEK)
    assert (rates["planned_s"], rates["made"], rates["running_s"]) == (176 * HOUR_S, 2960, 88 * HOUR_S)
    assert [(kind["made"], kind["reject"]) for kind in rates["kinds"]] == [(2960, 80)]
    assert rates["best_hour"]["made"] == 70
    before = {"start": WEEK["start"], "end": "2026-03-04T23:00:00Z"}
    assert (await joined.get(f"rates/{LINE}", **before))["best_hour"]["made"] == 30
    failures = await joined.get(f"failures/{LINE}", **WEEK)
    assert [failures[name] for name in ("planned_s", "failures", "fault_s", "running_s")] == [
        176 * HOUR_S,
        0,
        0,
        88 * HOUR_S,
    ]
    # Of the second cell: 64 h less the 32 h that it ran are idle in two or three stretches a day, none of them before.
    questions = await joined.get(f"questions/{NEW}", **WEEK)
    assert questions["total_s"] == 32 * HOUR_S
    assert min(one["start"] for one in questions["questions"]) == "2026-03-04T23:00:00Z"
    spans = await joined.rows("spans", **WEEK)
    planned_s: dict[str, float] = {}
    for row in spans:
        if row["zone"] is None:
            planned_s[row["state"]] = planned_s.get(row["state"], 0) + row["planned_s"]
    assert planned_s == {"unknown": 0, "running": 32 * HOUR_S, "idle": 32 * HOUR_S, "fault": 0}
    made = [row["planned"] for row in await joined.rows("fasteners", **WEEK)]
    assert made == [False] * 100 + [True] * 1280
    lost = await joined.rows("losses", **WEEK)
    assert min(row["start"] for row in lost) == "2026-03-04T21:00:00Z"
    shifts = [row for row in await joined.rows("shifts", **WEEK) if row["unit"] == NEW]
    assert [row["planned_s"] / HOUR_S for row in shifts] == [0] * 5 + [6] + [8] * 8


async def test_a_cell_is_told_as_outside_of_shifts_before_it_belongs_to_its_line(joined: Told) -> None:
    wednesday = {"day": "2026-03-04"}
    for unit in (NEW, f"{NEW}/1"):
        kpi = await joined.get(f"kpi/{unit}", **wednesday)
        assert kpi["planned_s"] == 0
        assert set(kpi["time_s"].values()) == {0}
        assert [kpi[name] for name in ("oee", "known", "availability", "teep", "utilisation")] == [None] * 5
        assert (kpi["fasteners"]["made"], kpi["fasteners"]["outside_planned"]) == (0, 100)
        codes = {warning["code"] for warning in kpi["warnings"]}
        assert {"no_planned_time", "outside_planned"} <= codes
        assert "unknown_time" not in codes
    assert (await joined.get(f"questions/{NEW}", **wednesday))["number"] == 0
    failures = await joined.get(f"failures/{NEW}", **wednesday)
    assert [failures[name] for name in ("planned_s", "failures", "fault_s")] == [0, 0, 0]
    prospects = await joined.get(f"prospects/{NEW}", **wednesday)
    assert prospects["measured"] == {"passes_per_hour": None, "fasteners_per_hour": None}
    # The evidence is kept and told all the same.
    timeline = await joined.get(f"timeline/{NEW}", **wednesday)
    assert [span["state"] for span in timeline["units"][0]["spans"]] == ["unknown", "running", "idle", "fault", "idle"]
    pace = await joined.get(f"pace/{NEW}", **wednesday)
    assert sum(sum(zone["made"]) for zone in pace["zones"]) == 100


async def test_shifts_of_a_cell_are_planned_since_it_belongs_to_its_line(joined: Told) -> None:
    window = {"start": "2026-03-04T00:00:00Z", "end": "2026-03-05T12:00:00Z"}
    for unit, hours in ((LINE, [8, 8, 8, 8]), (OLD, [8, 8, 8, 8]), (NEW, [0, 0, 6, 8])):
        shifts = (await joined.get(f"shifts/{unit}", **window))["shifts"]
        assert [one["shift"] for one in shifts] == [
            "2026-03-03/night",
            "2026-03-04/early",
            "2026-03-04/night",
            "2026-03-05/early",
        ]
        assert [one["planned_s"] / HOUR_S for one in shifts] == hours


async def test_a_sheet_shows_the_cells_that_belong_to_the_line_in_its_window(joined: Told) -> None:
    async def cells(unit: str, shift: str) -> list[str]:
        sheet = await joined.get(f"sheet/{unit}", shift=shift)
        return [cell["figures"]["unit"] for cell in sheet["cells"]]

    assert await cells(LINE, "2026-03-04/early") == [OLD]
    assert await cells(LINE, "2026-03-04/night") == [OLD, NEW]
    assert await cells(NEW, "2026-03-04/early") == [NEW]


async def test_the_figures_that_are_published_of_a_shift_are_those_since_the_cell_belongs_to_its_line(
    joined: Told, service: Service
) -> None:
    async with service.store.reading() as reading:
        plant = (await service.plants.present(reading)).plant
        line = plant.find(LINE)
        assert line is not None
        assert line.line is not None
        night = find_instance(line.line, line.tz, "2026-03-04/night")
        assert night is not None
        window = Window(night.start_us, night.end_us, night.id, night.id)
        found = await read_shift_figures(reading, plant, line, window, NOW_US, service.limits)
    assert {one.unit: one.account.planned_us / HOUR_US for one in found} == {
        LINE: 14,
        OLD: 8,
        f"{OLD}/1": 8,
        NEW: 6,
        f"{NEW}/1": 6,
    }
    assert all(one.figures.known == 1 for one in found)
    assert {one.unit: one.account.fault_us for one in found}[NEW] == 0
