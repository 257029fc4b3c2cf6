"""What /v1/kpi answers, field by field."""

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel, Field

from zoneledger.api.times import Seconds, Time, rfc3339, seconds
from zoneledger.application.kpi import Kpi
from zoneledger.application.windows import Window
from zoneledger.core.bounds import ratio_bounds
from zoneledger.core.comparison import FACTORS, contributions
from zoneledger.core.figures import Account, Figures, figures_of, ratio
from zoneledger.core.plant import Unit
from zoneledger.core.states import STATES
from zoneledger.core.warnings import Warning

Ratio = float | None
YIELD_CONFIDENCE = 0.9


class TimeByState(BaseModel):
    """Planned time by state, in seconds; the five sum to `planned_s`."""

    running: Seconds = Field(description="seconds of processing", examples=[20160.0])
    idle: Seconds = Field(description="seconds standing, with or without a known reason", examples=[3240.0])
    fault: Seconds = Field(description="seconds stopped by an alarm", examples=[1200.0])
    changeover: Seconds = Field(description="seconds loading, unloading or setting up", examples=[2400.0])
    unknown: Seconds = Field(description="seconds without evidence", examples=[0.0])


class Fasteners(BaseModel):
    """Fasteners (or holes, or trims) by number, made in planned time unless said; results after verdicts."""

    made: int = Field(description="all that were made: good, rework and reject", examples=[2140])
    good: int = Field(description="the good ones", examples=[2101])
    rework: int = Field(description="those to be reworked", examples=[33])
    reject: int = Field(description="those that are lost", examples=[6])
    unrated: int = Field(description="made without a standard, left out of standard seconds", examples=[0])
    outside_planned: int = Field(description="made in the window, outside planned time", examples=[0])
    unseen: int = Field(
        description="counted in snapshots less told by events; below 0 where more were told", examples=[0]
    )


class Rates(BaseModel):
    """Fasteners per hour; of a line or site per hour of one cell."""

    planned: Ratio = Field(description="made per hour of planned time", examples=[285.3])
    running: Ratio = Field(description="made per hour of running time", examples=[611.4])
    good: Ratio = Field(description="good ones per hour of planned time", examples=[280.1])


class FirstPass(BaseModel):
    """Fasteners of planned time by first result, before any verdict, as ratios of those made."""

    good: int = Field(description="good at once", examples=[2098])
    rework: int = Field(description="to be reworked at first", examples=[35])
    reject: int = Field(description="lost at first", examples=[7])
    first_pass_yield: Ratio = Field(description="good at once / made (ISO 22400-2)", examples=[0.98])
    yield_bounds: tuple[Ratio, Ratio] = Field(
        description="Wilson's two-sided bounds of the yield at a confidence of 0.9", examples=[[0.975, 0.985]]
    )
    rework_ratio: Ratio = Field(description="to be reworked at first / made", examples=[0.016])
    reject_ratio: Ratio = Field(description="lost at first / made", examples=[0.003])


class ZoneFigures(BaseModel):
    """A zone of the cell that was asked for."""

    utilisation: Ratio = Field(
        description="running / planned time, 0 to 1; null where none of it is known", examples=[0.47]
    )
    head_wait_s: Seconds = Field(
        description="seconds idle, waiting for the head: the cell has lost nothing by them", examples=[1800.0]
    )
    masked_changeover: Ratio = Field(
        description="share of its changeover during which another zone ran or waited only for the head", examples=[0.8]
    )
    time_s: TimeByState
    made: int = Field(description="fasteners made in this zone in planned time", examples=[1080])
    good: int = Field(description="the good ones of them", examples=[1061])


class Warned(BaseModel):
    """What to know before quoting the figures."""

    code: str = Field(description="what it is about, for programs", examples=["not_over"])
    text: str = Field(
        description="the same in a sentence", examples=["The window is not over yet: the figures are those up to now."]
    )


class WindowAnswer(BaseModel):
    """What is told of a unit over a window."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="start of the window, included")
    end: Time = Field(description="end of the window, not included")
    until: Time = Field(description="where reading ended: the window's end, or now if that is earlier")


class NamedWindowAnswer(WindowAnswer):
    """What is told of a unit over a window that may have a name."""

    label: str | None = Field(description="what a series calls the window", examples=["2026-W48"])
    shift: str | None = Field(description="the shift, where the window is one", examples=["2026-11-25/early"])


class KpiAnswer(NamedWindowAnswer):
    """The figures of a unit over a window; ratios are 0 to 1 and unrounded, null where there is nothing to divide by."""

    planned_s: Seconds = Field(
        description="planned time in seconds (ISO 22400-2 planned busy time); of a line the sum of its cells"
    )
    time_s: TimeByState
    reasons_s: dict[str, dict[str, float]] = Field(
        description="seconds of planned time by state and reason",
        examples=[{"idle": {"operator": 1440.0, "head": 1800.0}}],
    )
    given_s: dict[str, dict[str, dict[str, float]]] = Field(
        description="of reasons_s, the seconds that people gave a reason: by state, the machine's reason and theirs",
        examples=[{"idle": {"unexplained": {"no-panel": 900.0}}}],
    )
    availability: Ratio = Field(description="running / (planned - unknown)", examples=[0.82])
    performance: Ratio = Field(
        description="standard seconds of all made / running; above 1 the standard is slow", examples=[0.95]
    )
    quality: Ratio = Field(description="standard seconds of good / of all made", examples=[0.98])
    oee: Ratio = Field(description="standard seconds of good / (planned - unknown)", examples=[0.61])
    oee_bounds: tuple[Ratio, Ratio] = Field(
        description="between what the OEE lies if all time and every fastener were known", examples=[[0.61, 0.64]]
    )
    nee: Ratio = Field(
        description="OEE with changeover not counted as a loss (ISO 22400-2 net equipment effectiveness)",
        examples=[0.68],
    )
    teep: Ratio = Field(description="standard seconds of good / calendar time", examples=[0.57])
    known: Ratio = Field(description="(planned - unknown) / planned", examples=[1.0])
    fasteners: Fasteners
    first_pass: FirstPass
    standard_s: Seconds = Field(description="standard seconds of all rated fasteners made", examples=[19152.0])
    good_standard_s: Seconds = Field(description="standard seconds of the good ones", examples=[18769.0])
    fasteners_per_hour: Rates
    utilisation: Ratio = Field(
        description="running / planned: of a zone its utilisation, of a cell the head's; null where none of it is known",
        examples=[0.75],
    )
    masked_changeover: Ratio = Field(
        description="share of the zones' changeover during which another zone ran or waited only for the head",
        examples=[0.8],
    )
    zones: dict[str, ZoneFigures] = Field(description="of a cell: its zones by name; else empty")
    revision: int = Field(
        description="rises when late evidence or a changed plant model changed the figures", examples=[1]
    )
    warnings: list[Warned]


class OeeChange(BaseModel):
    """The OEE less that of the other window, and what each factor's change contributed to it; the three sum to `oee`."""

    oee: Ratio = Field(description="OEE less that of the other window; null where either has none", examples=[-0.05])
    availability: Ratio = Field(description="what the change of availability contributed", examples=[-0.06])
    performance: Ratio = Field(description="what the change of performance contributed", examples=[0.02])
    quality: Ratio = Field(description="what the change of quality contributed", examples=[-0.01])


class ComparedAnswer(KpiAnswer):
    """The figures of a unit over a window, beside those over another one."""

    against: KpiAnswer = Field(description="the figures over the other window")
    oee_change: OeeChange


class SeriesAnswer(BaseModel):
    """The figures of a unit over each part of a window, in order."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1"])
    by: str = Field(description="what the window is split into", examples=["shift"])
    series: list[KpiAnswer]


def window_told(unit: Unit, window: Window, until_us: int) -> dict[str, str]:
    """Return the fields of a WindowAnswer."""
    bounds = {"start": window.start_us, "end": window.end_us, "until": until_us}
    return {"unit": unit.path, **{name: rfc3339(at_us) for name, at_us in bounds.items()}}


def named_window_told(unit: Unit, window: Window, until_us: int) -> dict[str, Any]:
    """Return the fields of a NamedWindowAnswer."""
    return window_told(unit, window, until_us) | {"label": window.label, "shift": window.shift}


def warned(warnings: Iterable[Warning]) -> list[Warned]:
    """Return warnings as they are answered."""
    return [Warned(code=one.code, text=one.text) for one in warnings]


def _time(account: Account) -> dict[str, float]:
    return {state: seconds(getattr(account, f"{state}_us")) for state in STATES}


def _reasons(account: Account) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for (state, reason), length_us in sorted(account.reasons.items()):
        found.setdefault(state, {})[reason or "no_evidence"] = seconds(length_us)
    return found


def _given(account: Account) -> dict[str, dict[str, dict[str, float]]]:
    found: dict[str, dict[str, dict[str, float]]] = {}
    for (state, reason, given), length_us in sorted(account.given.items()):
        found.setdefault(state, {}).setdefault(reason, {})[given] = seconds(length_us)
    return found


def _first_pass(account: Account, figures: Figures) -> dict[str, Any]:
    return {
        "good": account.first_good,
        "rework": account.first_rework,
        "reject": account.first_reject,
        "first_pass_yield": figures.first_pass_yield,
        "yield_bounds": ratio_bounds(account.first_good, account.made, YIELD_CONFIDENCE),
        "rework_ratio": figures.rework_ratio,
        "reject_ratio": figures.reject_ratio,
    }


def _zone(account: Account) -> dict[str, Any]:
    return {
        "utilisation": figures_of(account).utilisation,
        "head_wait_s": seconds(account.reasons.get(("idle", "head"), 0)),
        "masked_changeover": ratio(account.masked_us, account.zone_changeover_us),
        "time_s": _time(account),
        "made": account.made,
        "good": account.good,
    }


_FASTENERS = tuple(Fasteners.model_fields)
_RATIOS = ("availability", "performance", "quality", "oee")
_MORE_RATIOS = ("nee", "teep", "known")


def compared_told(kpi: Kpi, other: Kpi) -> dict[str, Any]:
    """Return the fields of a ComparedAnswer: a unit's figures beside those of another window."""
    found = contributions(other.account, kpi.account)
    parts = {name: None if found is None else float(getattr(found, name)) for name in FACTORS}
    change = {"oee": None if found is None else float(sum(found)), **parts}
    return kpi_told(kpi) | {"against": kpi_told(other), "oee_change": change}


def kpi_told(kpi: Kpi) -> dict[str, Any]:
    """Return the fields of a KpiAnswer: a unit's figures.

    They are told by hand, as a series has thousands of them; a test holds them against the models.
    """
    account, figures = kpi.account, kpi.figures
    return {
        **named_window_told(kpi.unit, kpi.window, kpi.until_us),
        "planned_s": seconds(account.planned_us),
        "time_s": _time(account),
        "reasons_s": _reasons(account),
        "given_s": _given(account),
        **{name: getattr(figures, name) for name in _RATIOS},
        "oee_bounds": (figures.oee_low, figures.oee_high),
        **{name: getattr(figures, name) for name in _MORE_RATIOS},
        "fasteners": {name: getattr(account, name) for name in _FASTENERS},
        "first_pass": _first_pass(account, figures),
        "standard_s": seconds(account.standard_us),
        "good_standard_s": seconds(account.good_standard_us),
        "fasteners_per_hour": {
            "planned": figures.made_per_planned_hour,
            "running": figures.made_per_running_hour,
            "good": figures.good_per_planned_hour,
        },
        "utilisation": figures.utilisation,
        "masked_changeover": figures.masked_changeover,
        "zones": {zone: _zone(one) for zone, one in sorted(kpi.zones.items())},
        "revision": kpi.revision,
        "warnings": [one._asdict() for one in kpi.warnings],
    }
