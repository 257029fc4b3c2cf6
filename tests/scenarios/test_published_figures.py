"""Published figures, fed as messages through POST /v1/messages and read through /v1/kpi.

Each case names its source; [read] means that its figures were read in a text of the source, [memory] that source and
wording are from memory and the arithmetic was recomputed, [own] that own numbers went through a published formula.
"""

from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.scenarios.story import Story, results

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
CELL = "bench/line-1/cell-1"

Tell = Callable[..., Awaitable[dict[str, Any]]]


def near(value: float) -> Any:
    return pytest.approx(value, abs=5e-7)


async def test_iso_22400_2_kpi_model(tell: Tell) -> None:
    """ISO 22400-2 formulas [read in a quotation of the draft], numbers [own]: PBT 480 = ADOT 30 + ADET 40 + AUST 50 + APT 360 min;
    PRI 0.3 min; PQ 1000, GQ 950, SQ 20, RQ 30."""
    story = Story(BEGIN).wait(30).fault(40).setup(50).run(360, results(950, 20, 30))
    kpi = await tell(story, seconds=18.0, minutes=480)
    assert kpi["time_s"] == {"running": 21600, "idle": 1800, "fault": 2400, "changeover": 3000, "unknown": 0}
    assert kpi["availability"] == near(0.75)
    assert kpi["performance"] == near(0.833333)
    assert kpi["quality"] == near(0.95)
    assert kpi["oee"] == near(0.59375)
    assert kpi["nee"] == near(0.676215)
    fasteners = kpi["fasteners"]
    assert [fasteners[name] for name in ("made", "good", "reject", "rework")] == [1000, 950, 20, 30]
    # Throughput PQ / AOET and production process ratios of the same clause, off the same answer.
    assert kpi["fasteners_per_hour"]["planned"] == near(1000 / 8)
    time_s = kpi["time_s"]
    assert time_s["changeover"] / (time_s["running"] + time_s["changeover"]) == near(
        50 / 410
    )  # setup ratio AUST / AUPT
    assert time_s["running"] / (time_s["running"] + time_s["fault"]) == near(360 / 400)  # technical efficiency


async def test_nakajima_worked_example(tell: Tell) -> None:
    """S. Nakajima, Introduction to TPM (1988) [read in a training course that reproduces it]: working 480 min, planned stops 20;
    breakdown 20, set-up 20, adjustment 20; output 400, rejects 8; ideal cycle 0.5 min."""
    story = Story(BEGIN).rest(20).fault(20).setup(20).setup(20).run(400, results(392, 8))
    shift = {
        "shift": "early",
        "starts": "06:00",
        "ends": "14:00",
        "repeats": "FREQ=DAILY",
        "since": "2026-03-01",
        "stops": [{"stop": "meeting", "starts": "06:00", "ends": "06:20"}],
    }
    kpi = await tell(story, seconds=30.0, shifts=[shift], shift="2026-03-02/early")
    assert kpi["planned_s"] == 460 * 60
    assert kpi["availability"] == near(0.869565)
    assert kpi["performance"] == near(0.5)
    assert kpi["quality"] == near(0.98)
    assert kpi["oee"] == near(0.426087)


@pytest.mark.parametrize(("standard_min", "performance", "oee"), [(2.88, 0.949746, 0.72), (3.2, 1.055274, 0.80)])
async def test_textbook_bearing_exercise(tell: Tell, standard_min: float, performance: float, oee: float) -> None:
    """D. Besterfield, Total Quality Management [inputs read, book from memory]: 4800 min, downtime 380 + 675, 1235 made, 35 bad;
    with a standard of 3.2 min performance is above 1, shown as it is with a warning."""
    story = Story(BEGIN).fault(380).wait(675).run(3745, results(1200, 35))
    kpi = await tell(story, seconds=round(standard_min * 60, 6), minutes=4800)
    assert kpi["availability"] == near(0.780208)
    assert kpi["performance"] == near(performance)
    assert kpi["quality"] == near(0.971660)
    assert kpi["oee"] == near(oee)
    assert ("performance_above_1" in {w["code"] for w in kpi["warnings"]}) is (performance > 1)


async def test_several_standards_in_one_run(tell: Tell) -> None:
    """[own]: planned 460 min, running 400; 300 at 0.5, 100 at 1.2, 20 at 2.0 min; good 294, 95, 20. Quality is weighted by standard
    time: by count it would be 0.973810 and the product 0.656263, which is wrong."""
    made = results(294, 6, item="a") + results(95, 5, item="b") + results(20, item="c")
    story = Story(BEGIN).wait(60).run(400, made)
    standards = [
        {"operation": "fasten", "item": item, "seconds": seconds, "since": "2026-01-01"}
        for item, seconds in (("a", 30.0), ("b", 72.0), ("c", 120.0))
    ]
    kpi = await tell(story, standards=standards, minutes=460)
    assert kpi["availability"] == near(0.869565)
    assert kpi["performance"] == near(0.775)
    assert kpi["quality"] == near(0.970968)
    assert kpi["oee"] == near(0.654348)


async def test_shifts_add_up_and_never_average(tell: Tell, get: Callable[..., Awaitable[dict[str, Any]]]) -> None:
    """[own]: shift 1 planned 480, running 400, standard 360, good 351; shift 2: 240, 120, 90, 81: OEE 0.73125 and 0.3375, together
    0.60; the mean of the two, 0.534375, is wrong."""
    story = Story(BEGIN).wait(80).run(400, results(390, 10)).wait(120).run(120, results(90, 10))
    since = {"repeats": "FREQ=DAILY", "since": "2026-03-01"}
    shifts = [
        {"shift": "one", "starts": "06:00", "ends": "14:00"} | since,
        {"shift": "two", "starts": "14:00", "ends": "18:00"} | since,
    ]
    day = await tell(story, seconds=54.0, shifts=shifts, day="2026-03-02")
    assert [day[name] for name in ("availability", "performance", "quality", "oee")] == [
        near(0.722222),
        near(0.865385),
        near(0.96),
        near(0.60),
    ]
    series = (await get(f"/v1/kpi/{CELL}", day="2026-03-02", by="shift"))["series"]
    assert [part["oee"] for part in series] == [near(0.73125), near(0.3375)]


async def test_semi_e10_week(tell: Tell) -> None:
    """SEMI E10/E79 [memory]: a week of 168 h: non-scheduled 8, unscheduled down 10 (5 failures), scheduled down 6, engineering 4,
    standby 20, productive 120: operational uptime 90 %. Engineering and scheduled down have no state of ours: a wait for
    another reason and a set-up stand for them; non-scheduled time lies outside the shifts."""
    story = Story(BEGIN).rest(8 * 60)
    for _ in range(5):
        story.run(24 * 60, results(10)).fault(2 * 60)
    story.setup(6 * 60).wait(4 * 60, "other").wait(20 * 60, "upstream")
    hours = 168
    shift = {"shift": "week", "starts": "14:00", "ends": "14:00", "repeats": "FREQ=DAILY", "since": "2026-03-02"}
    kpi = await tell(story, seconds=60.0, shifts=[shift], minutes=hours * 60)
    time_s = kpi["time_s"]
    assert kpi["planned_s"] == 160 * 3600
    assert time_s["unknown"] == 0
    assert (kpi["planned_s"] - time_s["fault"] - time_s["changeover"]) / kpi["planned_s"] == near(0.90)
    assert time_s["running"] / 5 / 3600 == near(24)  # MTBF, productive


async def test_vdi_3423_utilisation(tell: Tell) -> None:
    """VDI 3423 [memory]: planned 80 h, organisational 6, technical 5, maintenance 3: overall utilisation 82.5 %, technical
    availability 93.75 %. Maintenance is told as a set-up."""
    story = Story(BEGIN).wait(6 * 60).fault(5 * 60).setup(3 * 60).run(66 * 60, results(100))
    kpi = await tell(story, seconds=60.0, minutes=80 * 60)
    assert kpi["utilisation"] == near(0.825)
    assert 1 - kpi["time_s"]["fault"] / kpi["planned_s"] == near(0.9375)


async def test_published_wing_panel_riveter(tell: Tell) -> None:
    """A wing-panel riveter, SAE International 2009 [read]: 16 rivets a minute, 3.75 s each, 960 an hour; [own]: 90 min running, 1380
    made, 12 of them replaced: standard 86.25 min, performance 0.958333, first-pass yield 0.991304."""
    kpi = await tell(Story(BEGIN).run(90, results(1368, rework=12)), seconds=3.75, minutes=90)
    assert kpi["standard_s"] == 86.25 * 60
    assert kpi["performance"] == near(0.958333)
    assert kpi["quality"] == near(0.991304)
    assert kpi["fasteners_per_hour"]["running"] == near(920)


@pytest.mark.parametrize(
    ("zone", "shift", "hours"),
    [
        ("Europe/Berlin", "2026-10-24/night", 9.0),
        ("Europe/Berlin", "2027-03-27/night", 7.0),
        ("Australia/Lord_Howe", "2026-04-04/night", 8.5),
        ("Australia/Lord_Howe", "2026-10-03/night", 7.5),
    ],
)
async def test_a_shift_over_a_clock_change_is_as_long_as_it_was(
    declare: Callable[..., Awaitable[None]],
    get: Callable[..., Awaitable[dict[str, Any]]],
    zone: str,
    shift: str,
    hours: float,
) -> None:
    """IANA time zone database: 22:00 to 06:00 across the changes of clocks; Lord Howe shifts by 30 min."""
    pattern = {"shift": "night", "starts": "22:00", "ends": "06:00", "repeats": "FREQ=DAILY", "since": "2026-01-01"}
    await declare(timezone=zone, shifts=[pattern])
    day = datetime.fromisoformat(shift[:10]).replace(tzinfo=UTC)
    query = {"start": (day - timedelta(days=1)).isoformat(), "end": (day + timedelta(days=3)).isoformat()}
    found = (await get("/v1/shifts/bench/line-1", **query))["shifts"]
    assert {one["shift"]: one["planned_s"] for one in found}[shift] == hours * 3600


async def test_overlapping_entries_are_united_before_they_are_summed(tell: Tell) -> None:
    """An open production log [read]: 07:00-08:15 twice and 16:05-16:38 twice sum to 216 min and last 108; told as two stop alarms."""
    story = Story(BEGIN)
    for first, last in ((60, 135), (605, 638)):
        for phase, minute in (("raise", first), ("clear", last)):
            for code in ("entry-a", "entry-b"):
                story.event(minute, type="alarm", phase=phase, code=code, severity="stop")
    story.minute = 720
    kpi = await tell(story, seconds=60.0, minutes=720)
    assert kpi["time_s"]["fault"] == 108 * 60
    assert kpi["reasons_s"]["fault"] == {"entry-a": 108 * 60}
