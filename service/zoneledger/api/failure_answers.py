"""What /v1/failures answers, field by field."""

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any, TypeVar

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import NamedWindowAnswer, Warned, named_window_told, warned
from zoneledger.api.times import Seconds, Time, rfc3339_or_none, seconds
from zoneledger.application.failures import Failures
from zoneledger.core.failures import FailureFigures, Tally, failure_figures_of

MaybeSeconds = float | None
KeyT = TypeVar("KeyT")


class FailureNumbers(BaseModel):
    """The figures of failures; null where there is nothing to divide by, and where a bound is not told."""

    running_s: Seconds = Field(description="seconds running in planned time, in all of which it might have failed")
    failures: int = Field(description="failures that began in planned time of the window", examples=[5])
    mtbf_s: MaybeSeconds = Field(
        description="mean time between failures: running / failures; null without one", examples=[86400.0]
    )
    mtbf_bounds_s: tuple[MaybeSeconds, MaybeSeconds] = Field(
        description="its chi-square bounds, two-sided; without a failure the lower one alone, one-sided",
        examples=[[41093.2, 219276.5]],
    )
    mttr_s: MaybeSeconds = Field(description="mean time to repair: repair / failures", examples=[7200.0])
    mttr_bounds_s: tuple[MaybeSeconds, MaybeSeconds] = Field(
        description="its chi-square bounds, two-sided, for repairs of exponential length", examples=[[3932.8, 18272.9]]
    )
    repair_s: Seconds = Field(
        description="seconds of planned time in these failures, as long as they lasted, beyond the window, too"
    )
    fault_s: Seconds = Field(
        description="all seconds of planned time of the window in fault, those of earlier failures included"
    )
    longest_s: MaybeSeconds = Field(description="the longest of these repairs, within planned time", examples=[9000.0])
    first: Time | None = Field(description="when the first of them began")
    last: Time | None = Field(description="when the last of them began")
    begins_unseen: int = Field(description="how many of them follow on time without evidence", examples=[0])
    ends_unseen: int = Field(
        description="how many of them last to now, or to where the evidence ends, or longer", examples=[0]
    )


class UnitFailures(FailureNumbers):
    """The failures of a cell of the line or site, or of a zone of the cell, by its own states."""

    unit: str = Field(description="the path of the cell or zone", examples=["harbour/wing-1/cell-1"])


class SubsystemFailures(FailureNumbers):
    """The failures of one subsystem, over the running time of the unit."""

    subsystem: str | None = Field(description="as its alarms name it; null: they named none", examples=["clamp"])


class CodeFailures(FailureNumbers):
    """The failures of one alarm code, over the running time of the unit."""

    code: str = Field(description="the code of the alarm that the failure began with", examples=["clamp-force"])
    subsystems: list[str] = Field(description="the subsystems that its alarms named", examples=[["clamp"]])


class FailuresAnswer(NamedWindowAnswer, FailureNumbers):
    """The failures of a unit over a window: of all of it, of its parts, by subsystem and by alarm code."""

    planned_s: Seconds = Field(description="planned time in seconds; of a line the sum of its cells")
    confidence: float = Field(description="that of the bounds", examples=[0.9])
    trend_score: float | None = Field(
        description="Laplace's score: above 0 where failures come faster with time; null of fewer than four",
        examples=[-0.4],
    )
    units: list[UnitFailures] = Field(description="of a line or site its cells, of a cell its zones; of a zone none")
    subsystems: list[SubsystemFailures] = Field(description="by subsystem, the most failures first")
    codes: list[CodeFailures] = Field(description="by alarm code, the most failures first")
    revision: int = Field(
        description="rises when late evidence or a changed plant model changed the figures", examples=[1]
    )
    warnings: list[Warned]


def _numbers(figures: FailureFigures) -> dict[str, Any]:
    told = asdict(figures)
    return told | {"first": rfc3339_or_none(told.pop("first_us")), "last": rfc3339_or_none(told.pop("last_us"))}


def _ranked(tallies: dict[KeyT, Tally], confidence: float) -> Iterable[tuple[KeyT, FailureFigures]]:
    found = [(key, failure_figures_of(tally, confidence)) for key, tally in tallies.items()]
    return sorted(found, key=lambda one: (-one[1].failures, -one[1].fault_s, str(one[0] or "")))


def _named(tally: Tally, code: str) -> list[str]:
    return sorted({one.subsystem for one in tally.stretches if one.code == code and one.subsystem is not None})


def answer_of(found: Failures, confidence: float) -> FailuresAnswer:
    """Return the answer for a unit's failures, with bounds of a confidence."""
    tally = found.tally
    return FailuresAnswer(
        **_numbers(failure_figures_of(tally, confidence)),
        **named_window_told(found.unit, found.window, found.until_us),
        planned_s=seconds(found.planned_us),
        confidence=confidence,
        trend_score=found.trend,
        units=[
            UnitFailures(unit=path, **_numbers(failure_figures_of(part, confidence)))
            for path, part in found.parts.items()
        ],
        subsystems=[
            SubsystemFailures(subsystem=name, **_numbers(figures))
            for name, figures in _ranked(tally.by(lambda one: one.subsystem), confidence)
        ],
        codes=[
            CodeFailures(code=code, subsystems=_named(tally, code), **_numbers(figures))
            for code, figures in _ranked(tally.by(lambda one: one.code), confidence)
        ],
        revision=found.revision,
        warnings=warned(found.warnings),
    )
