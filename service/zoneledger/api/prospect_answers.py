"""What /v1/prospects answers, field by field."""

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import Warned, WindowAnswer, warned, window_told
from zoneledger.api.times import seconds_or_none
from zoneledger.application.prospects import Prospect, Prospects, Rate
from zoneledger.core.states import CHANGEOVER, FAULT, IDLE, RUNNING

MODEL = "one_head_first_come_first_served"
Number = float | None


class RateAnswer(BaseModel):
    """What a cell makes in an hour."""

    passes_per_hour: Number = Field(description="panel passes an hour", examples=[1.43])
    fasteners_per_hour: Number = Field(description="fasteners an hour, of any result", examples=[428.6])


class InputsAnswer(BaseModel):
    """Means of a pass, in seconds of planned time with evidence: what the model works with."""

    passes: int = Field(description="passes that are replayed", examples=[240])
    zones: int = Field(description="zones that had the head", examples=[2])
    head_s: Number = Field(
        description="Th: from the begin of processing to its end, with the waits and faults in it", examples=[1320.0]
    )
    without_head_s: Number = Field(
        description="Tl: all else between two processings in a zone, less waits for the head", examples=[980.0]
    )
    transfer_s: Number = Field(description="Tr: the head's way from one zone to another", examples=[25.0])
    transfers_seen: int = Field(
        description="how often the ledger shows that way: a zone stood waiting as the other one let the head go",
        examples=[230],
    )
    process_s: Number = Field(description="running", examples=[1240.0])
    changeover_s: dict[str, float] = Field(
        description="changeover by activity", examples=[{"load": 400.0, "unload": 260.0}]
    )
    waits_s: dict[str, float] = Field(
        description="waits by what for, that for the head left out: the model makes its own",
        examples=[{"operator": 90.0}],
    )
    faults_s: dict[str, float] = Field(description="faults by alarm code", examples=[{"clamp-force": 70.0}])


class FitAnswer(BaseModel):
    """The model's present rate, beside the measured one."""

    passes_per_hour: Number = Field(
        description="passes an hour when the measured times are replayed as they were", examples=[1.44]
    )
    formula_passes_per_hour: Number = Field(
        description="the same by the plain formula, n zones in max(n (Th + Tr), Th + Tl)", examples=[1.49]
    )
    off: Number = Field(description="replayed / measured - 1", examples=[0.007])


class ProspectAnswer(BaseModel):
    """What one change would bring; a rate is the measured one x the model's changed / the model's present one."""

    kind: str = Field(
        description="what is changed: loading (load and unload), setup, fault, wait; changeover_masked: no changeover costs "
        "a zone any time",
        examples=["fault"],
    )
    reason: str | None = Field(description="the alarm code, or what is waited for; else null", examples=["clamp-force"])
    factor: float = Field(description="what its times are multiplied by", examples=[0.5])
    passes_per_hour: Number = Field(description="panel passes an hour then", examples=[1.5])
    fasteners_per_hour: Number = Field(description="fasteners an hour then", examples=[450.0])
    gain: Number = Field(description="by which part of it the rate rises, by the replay", examples=[0.05])
    formula_gain: Number = Field(description="the same by the plain formula", examples=[0.04])


class ProspectsAnswer(WindowAnswer):
    """What a cell makes in an hour, and what it would make if one of its losses were changed."""

    model: str = Field(description="the name of the model", examples=[MODEL])
    inputs: InputsAnswer
    measured: RateAnswer
    modelled: FitAnswer
    prospects: list[ProspectAnswer]
    revision: int = Field(description="rises when what was told of the window was changed", examples=[1])
    warnings: list[Warned]


def _rate(rate: Rate) -> RateAnswer:
    return RateAnswer(passes_per_hour=rate.passes_per_hour, fasteners_per_hour=rate.fasteners_per_hour)


def _inputs(found: Prospects) -> InputsAnswer:
    def named(state: str) -> dict[str, float]:
        return {reason: us / 1_000_000 for (s, reason), us in sorted(found.parts_us.items()) if s == state}

    means = found.means
    return InputsAnswer(
        passes=found.passes,
        zones=means.zones if means else 0,
        head_s=seconds_or_none(means.head_us) if means else None,
        without_head_s=seconds_or_none(means.without_us) if means else None,
        transfer_s=seconds_or_none(means.transfer_us) if means else None,
        transfers_seen=found.transfers,
        process_s=sum(named(RUNNING).values()) if means else None,
        changeover_s=named(CHANGEOVER),
        waits_s=named(IDLE),
        faults_s=named(FAULT),
    )


def _prospect(measured: Rate, each: Prospect) -> ProspectAnswer:
    rate = measured.times(each.gain)
    return ProspectAnswer(
        kind=each.change.kind or "",
        reason=each.change.reason,
        factor=each.change.factor,
        passes_per_hour=rate.passes_per_hour,
        fasteners_per_hour=rate.fasteners_per_hour,
        gain=each.gain,
        formula_gain=each.formula_gain,
    )


def answer_of(found: Prospects) -> ProspectsAnswer:
    """Return what the API answers of prospects."""
    kpi = found.kpi
    return ProspectsAnswer(
        **window_told(kpi.unit, kpi.window, kpi.until_us),
        model=MODEL,
        inputs=_inputs(found),
        measured=_rate(found.measured),
        modelled=FitAnswer(
            passes_per_hour=found.replayed_per_hour, formula_passes_per_hour=found.formula_per_hour, off=found.off
        ),
        prospects=[_prospect(found.measured, each) for each in found.changes],
        revision=kpi.revision,
        warnings=warned(found.warnings),
    )
