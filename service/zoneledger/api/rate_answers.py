"""What /v1/rates answers, field by field."""

from dataclasses import asdict
from typing import NamedTuple

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import NamedWindowAnswer, Ratio, Warned, named_window_told, warned
from zoneledger.api.kpi_answers import Rates as PerHour
from zoneledger.api.times import Seconds, Time, rfc3339_or_none, seconds
from zoneledger.application.rates import BestHour, Rates
from zoneledger.core.figures import HOUR_US
from zoneledger.core.rates import Kind, KindTally, ProgramRate, capability

MaybeSeconds = float | None


class BestHourAnswer(BaseModel):
    """The 60 minutes of the window, wherever they begin, in which the most fasteners were made in planned time."""

    made: int = Field(description="fasteners made in it; of a line or site by all cells together", examples=[690])
    start: Time | None = Field(description="its start, included, the first of equal ones; null where none were made")
    end: Time | None = Field(description="its end, not included")


class HistogramClass(BaseModel):
    """One class of a histogram of the told seconds as multiples of the standard, half-open."""

    since: float = Field(description="from this multiple of the standard on", examples=[0.9])
    before: float | None = Field(description="to before this one; null: no end", examples=[1.0])
    number: int = Field(description="fasteners that took so much", examples=[412])


class Asked(NamedTuple):
    """The confidence of bounds, and the least and most seconds that a fastener should take."""

    confidence: float
    least_s: float | None
    most_s: float | None


class DurationsAnswer(BaseModel):
    """The seconds that the controller told for each fastener; null where it told none."""

    told: int = Field(description="fasteners of which seconds were told", examples=[2140])
    mean_s: MaybeSeconds = Field(description="their mean", examples=[4.2])
    spread_s: MaybeSeconds = Field(description="their standard deviation, of a sample", examples=[0.4])
    cp: Ratio = Field(
        description="process capability index: (most_s - least_s) / (6 spread); null without both limits",
        examples=[1.33],
    )
    cpk: Ratio = Field(
        description="critical process capability index: from the mean to the nearer limit / (3 spread)", examples=[1.1]
    )
    median_s: MaybeSeconds = Field(description="half of them took less", examples=[4.1])
    p10_s: MaybeSeconds = Field(description="one in ten took less", examples=[3.7])
    p90_s: MaybeSeconds = Field(description="nine in ten took less", examples=[4.9])
    shortest_s: MaybeSeconds = Field(description="the shortest", examples=[3.1])
    longest_s: MaybeSeconds = Field(description="the longest", examples=[11.8])
    to_standard: Ratio = Field(
        description="their mean / the mean standard of the same fasteners, of those that have one", examples=[1.05]
    )
    histogram: list[HistogramClass] = Field(description="against the standard, of those that have one; else empty")


class KindAnswer(BaseModel):
    """Fasteners of one operation, item and program, made in planned time."""

    operation: str = Field(description="drill, fasten or trim", examples=["fasten"])
    item: str | None = Field(description="the item; null: none was told", examples=["lb-8"])
    program: str | None = Field(description="its own program, or else that of its zone", examples=["skin-left"])
    made: int = Field(description="all of them", examples=[2140])
    good: int = Field(description="the good ones, after verdicts", examples=[2101])
    rework: int = Field(description="those to be reworked, after verdicts", examples=[33])
    reject: int = Field(description="those that are lost, after verdicts", examples=[6])
    first_pass_yield: Ratio = Field(description="good at once, before verdicts / made", examples=[0.98])
    yield_bounds: tuple[Ratio, Ratio] = Field(
        description="Wilson's two-sided bounds of the yield at the confidence", examples=[[0.975, 0.985]]
    )
    standards_s: list[float] = Field(
        description="standard seconds of one; several where they changed or cells differ, none where there is none",
        examples=[[4.0]],
    )
    seconds: DurationsAnswer


class ProgramRateAnswer(BaseModel):
    """What was made with one program in planned time, and how long it ran."""

    program: str | None = Field(description="the program; null: none was told", examples=["skin-left"])
    made: int = Field(description="fasteners made with it", examples=[2140])
    running_s: Seconds = Field(description="seconds of planned time in which the unit ran it")
    per_running_hour: Ratio = Field(description="made / running, per hour", examples=[611.4])


class RatesAnswer(NamedWindowAnswer):
    """How fast a unit made fasteners over a window."""

    planned_s: Seconds = Field(description="planned time in seconds; of a line the sum of its cells")
    running_s: Seconds = Field(description="running time in seconds; that of the programs sums to it")
    made: int = Field(description="fasteners made in planned time", examples=[2140])
    confidence: float = Field(description="that of the bounds", examples=[0.9])
    fasteners_per_hour: PerHour
    best_hour: BestHourAnswer | None = Field(
        description="null of a window, read up to now, that is shorter than an hour, or without evidence or planned time",
        examples=[{"made": 690, "start": "2026-11-25T07:12:30Z", "end": "2026-11-25T08:12:30Z"}],
    )
    kinds: list[KindAnswer] = Field(description="by operation, item and program, the most made first")
    programs: list[ProgramRateAnswer] = Field(description="by program, the most made first")
    revision: int = Field(
        description="rises when late evidence or a changed plant model changed the figures", examples=[1]
    )
    warnings: list[Warned]


def _best_hour(best: BestHour | None) -> BestHourAnswer | None:
    if best is None:
        return None
    end_us = None if best.start_us is None else best.start_us + HOUR_US
    return BestHourAnswer(made=best.made, start=rfc3339_or_none(best.start_us), end=rfc3339_or_none(end_us))


def _kind(kind: Kind, tally: KindTally, asked: Asked) -> KindAnswer:
    first_pass_yield, bounds = tally.first_pass(asked.confidence)
    durations = tally.durations()
    cp, cpk = capability(durations, asked.least_s, asked.most_s)
    told = asdict(durations)
    told["histogram"] = [
        HistogramClass(since=one.since, before=one.before, number=one.number) for one in told["histogram"]
    ]
    return KindAnswer(
        operation=kind[0],
        item=kind[1],
        program=kind[2],
        made=tally.made,
        **{result: tally.results.get(result, 0) for result in ("good", "rework", "reject")},
        first_pass_yield=first_pass_yield,
        yield_bounds=bounds,
        standards_s=[seconds(each) for each in sorted(tally.standards_us)],
        seconds=DurationsAnswer(**told, cp=cp, cpk=cpk),
    )


def _program(one: ProgramRate) -> ProgramRateAnswer:
    running_s = seconds(one.running_us)
    return ProgramRateAnswer(
        program=one.program, made=one.made, running_s=running_s, per_running_hour=one.per_running_hour
    )


def answer_of(rates: Rates, asked: Asked) -> RatesAnswer:
    """Return the answer for a unit's rates, with bounds and capabilities as they are asked for."""
    kpi = rates.kpi
    figures = kpi.figures
    return RatesAnswer(
        **named_window_told(kpi.unit, kpi.window, kpi.until_us),
        planned_s=seconds(kpi.account.planned_us),
        running_s=seconds(kpi.account.running_us),
        made=kpi.account.made,
        confidence=asked.confidence,
        fasteners_per_hour=PerHour(
            planned=figures.made_per_planned_hour,
            running=figures.made_per_running_hour,
            good=figures.good_per_planned_hour,
        ),
        best_hour=_best_hour(rates.best_hour),
        kinds=[_kind(kind, tally, asked) for kind, tally in rates.kinds.items()],
        programs=[_program(one) for one in rates.programs],
        revision=kpi.revision,
        warnings=warned(one for one in kpi.warnings if one.code != "zone_oee"),
    )
