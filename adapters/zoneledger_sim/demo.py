"""The invented plant of the demo: fastening and drilling cells of sizes that are common in the trade."""

from zoneledger_sim.durations import Exponential, Triangular
from zoneledger_sim.plan import (
    AlarmPlan,
    CellPlan,
    HeadWait,
    Inspection,
    Misbehaviour,
    Moment,
    PanelWait,
    Program,
    Scenario,
    ShiftPlan,
    Step,
)

_MINUTE_S = 60.0
_HOUR_S = 3600.0

_SHIFTS = (
    ShiftPlan("early", "06:00", "14:00", ("10:00", "10:30")),
    ShiftPlan("late", "14:00", "22:00", ("18:00", "18:30")),
    ShiftPlan("night", "22:00", "06:00", ("02:00", "02:30")),
)


def _fasten(item: str, count: int, standard_s: float) -> Step:
    head = Triangular(0.95 * standard_s, standard_s, 1.3 * standard_s)
    return Step("fasten", count, head, item=item, rework=0.012, reject=0.002, standard_s=standard_s)


def _drill(count: int, standard_s: float) -> Step:
    head = Triangular(0.95 * standard_s, standard_s, 1.25 * standard_s)
    return Step("drill", count, head, rework=0.004, reject=0.001, standard_s=standard_s)


_SKINS = (
    Program("skin-left", (_fasten("lb-6", 200, 3.75), _fasten("lb-8", 60, 4.5)), manual=29),
    Program("skin-right", (_fasten("lb-6", 200, 3.75), _fasten("lb-8", 60, 4.5)), manual=29),
)
_SPARS = (
    Program("spar-front", (_drill(160, 2.5), _fasten("lb-6", 140, 3.75)), manual=33),
    Program("spar-rear", (_drill(120, 2.5), _fasten("lb-8", 110, 4.5)), manual=25),
)

_PANEL_WAITS = (
    PanelWait("inspection", Moment.BEFORE_UNLOAD, 0.10, Triangular(60, 180, 600)),
    PanelWait("downstream", Moment.BEFORE_UNLOAD, 0.04, Exponential(5 * _MINUTE_S)),
    PanelWait("operator", Moment.BEFORE_LOAD, 0.20, Triangular(20, 60, 400)),
    PanelWait("panel", Moment.BEFORE_LOAD, 0.08, Exponential(6 * _MINUTE_S)),
    PanelWait("upstream", Moment.BEFORE_LOAD, 0.03, Exponential(10 * _MINUTE_S)),
    PanelWait("other", Moment.BEFORE_PROCESS, 0.05, Exponential(2 * _MINUTE_S)),
    PanelWait(None, Moment.BEFORE_PROCESS, 0.15, Triangular(5, 20, 120)),
)
_HEAD_WAITS = (
    HeadWait("tool", 900, Triangular(40, 70, 150)),
    HeadWait("fasteners", 1800, Triangular(60, 90, 240), item="lb-6"),
    HeadWait("fasteners", 600, Triangular(60, 90, 240), item="lb-8"),
)
_ALARMS = (
    AlarmPlan("clamp-force", "stop", Exponential(2.5 * _HOUR_S), Exponential(4 * _MINUTE_S), subsystem="clamp"),
    AlarmPlan("countersink-depth", "stop", Exponential(4 * _HOUR_S), Exponential(6 * _MINUTE_S), subsystem="spindle"),
    AlarmPlan(
        "guard-open",
        "stop",
        Exponential(3 * _HOUR_S),
        Exponential(1.5 * _MINUTE_S),
        whole_cell=True,
        text="a guard of the cell is open",
    ),
    AlarmPlan("coolant-low", "notice", Exponential(_HOUR_S), Exponential(10 * _MINUTE_S), whole_cell=True),
)
_INSPECTION = Inspection(
    Exponential(45 * _MINUTE_S), share=0.02, rework=0.03, reject=0.02, mended=0.7, station="inspection-1"
)


def demo_scenario(
    *, cells: int = 2, zones: int = 2, seed: int = 1, misbehaviour: Misbehaviour | None = None
) -> Scenario:
    """Return an invented line of `cells` cells with `zones` zones each; raises ValueError for fewer than one."""
    if cells < 1 or zones < 1:
        raise ValueError("a scenario needs at least one cell and one zone")
    plans = tuple(_cell(number, zones) for number in range(1, cells + 1))
    return Scenario(
        "harbour",
        "wing-1",
        plans,
        seed=seed,
        timezone="Europe/Lisbon",
        shifts=_SHIFTS,
        misbehaviour=misbehaviour or Misbehaviour(),
    )


def _cell(number: int, zones: int) -> CellPlan:
    return CellPlan(
        cell=f"cell-{number}",
        zones=tuple(str(zone) for zone in range(1, zones + 1)),
        programs=_SKINS if number % 2 else _SPARS,
        load=Triangular(8 * _MINUTE_S, 11 * _MINUTE_S, 20 * _MINUTE_S),
        transfer=Triangular(20, 25, 40),
        setup=Triangular(3 * _MINUTE_S, 5 * _MINUTE_S, 10 * _MINUTE_S),
        batch=6,
        abort_chance=0.01,
        panel_waits=_PANEL_WAITS,
        head_waits=_HEAD_WAITS,
        alarms=_ALARMS,
        inspection=_INSPECTION,
    )
