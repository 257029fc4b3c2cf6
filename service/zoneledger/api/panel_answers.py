"""What /v1/panels answers, field by field."""

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import Ratio, Warned, WindowAnswer, warned, window_told
from zoneledger.api.times import Seconds, Time, rfc3339, seconds, seconds_or_none
from zoneledger.application.panels import Panels, ShownPass
from zoneledger.core.figures import Account
from zoneledger.core.pass_figures import ProgramPasses, automation_level, left_for_hand, quantile

Seconds_ = float | None


class TimeInPass(BaseModel):
    """Seconds of a pass by what they were spent on; the seven sum to it."""

    load: Seconds = Field(description="seconds loading", examples=[396.0])
    setup: Seconds = Field(description="seconds setting up", examples=[0.0])
    process: Seconds = Field(description="seconds running", examples=[1080.0])
    wait: Seconds = Field(description="seconds idle, with or without a known reason", examples=[240.0])
    fault: Seconds = Field(description="seconds stopped by an alarm", examples=[60.0])
    unload: Seconds = Field(description="seconds unloading", examples=[264.0])
    unknown: Seconds = Field(description="seconds without evidence", examples=[0.0])


class PassFasteners(BaseModel):
    """Fasteners that the zone made for a pass, by result after verdicts, and how many were planned for the panel."""

    made: int = Field(description="all that were made: good, rework and reject", examples=[268])
    good: int = Field(description="the good ones", examples=[264])
    rework: int = Field(description="those to be reworked", examples=[3])
    reject: int = Field(description="those that are lost", examples=[1])
    of_other_panels: int = Field(
        description="made in its time, but naming another panel: not among those above", examples=[0]
    )
    automatic: int | None = Field(description="planned for the cell; null where nobody told", examples=[270])
    manual: int | None = Field(description="planned for the hand; null where nobody told", examples=[30])
    left_for_hand: int | None = Field(
        description="planned automatic and manual ones that the cell did not make; null where no plan was told",
        examples=[32],
    )


class PassAnswer(BaseModel):
    """One panel's way through one zone, load begin to unload end."""

    unit: str = Field(description="the zone's path", examples=["harbour/wing-1/cell-1/1"])
    panel: str | None = Field(description="the panel, null where nobody told", examples=["P-1047"])
    program: str | None = Field(description="the program, null where nobody told", examples=["skin-left"])
    start: Time = Field(description="its begin: that of its load, or of the first that was seen of it")
    end: Time | None = Field(
        description="its end: that of its unload, or of the last that was seen; null while it is present"
    )
    outcome: str = Field(
        description="completed or aborted, as the end of its processing told; ended: it told neither; unfinished: no end of "
        "processing was seen; present: not over",
        examples=["completed"],
    )
    whole: bool = Field(
        description="whether the begin of the load and the end of the unload were seen", examples=[True]
    )
    floor_to_floor_s: Seconds_ = Field(
        description="seconds from load begin to unload end; null unless whole", examples=[2040.0]
    )
    time_s: TimeInPass
    waits_s: dict[str, float] = Field(
        description="seconds of `time_s.wait` by what for", examples=[{"head": 180.0, "operator": 60.0}]
    )
    faults_s: dict[str, float] = Field(
        description="seconds of `time_s.fault` by alarm code", examples=[{"clamp-force": 60.0}]
    )
    fasteners: PassFasteners
    automation_level: Ratio = Field(
        description="made / (planned automatic + manual); null where no plan was told", examples=[0.893]
    )


class FloorToFloor(BaseModel):
    """Floor-to-floor times of passes that were completed and seen as a whole; null where there are none.

    A quantile is interpolated linearly between order statistics: of n times it lies at the place (n - 1) x share, from 0.
    """

    count: int = Field(description="number of those passes", examples=[38])
    mean_s: Seconds_ = Field(description="mean, in seconds", examples=[2065.4])
    median_s: Seconds_ = Field(description="half are at most as long, in seconds", examples=[2031.0])
    p90_s: Seconds_ = Field(description="nine in ten are at most as long, in seconds", examples=[2290.5])
    shortest_s: Seconds_ = Field(description="the shortest, in seconds", examples=[1820.0])
    longest_s: Seconds_ = Field(description="the longest, in seconds", examples=[2840.0])


class ProgramAnswer(BaseModel):
    """The passes of one program that ended in the window."""

    program: str | None = Field(description="the program, null where nobody told", examples=["skin-left"])
    number: int = Field(description="all passes that ended: the four below sum to it", examples=[41])
    completed: int = Field(description="those whose processing was completed", examples=[39])
    aborted: int = Field(description="those whose processing was aborted", examples=[1])
    ended: int = Field(description="those whose processing ended without a word of how", examples=[0])
    unfinished: int = Field(description="those of which no end of processing was seen", examples=[1])
    floor_to_floor: FloorToFloor
    automation_level: Ratio = Field(
        description="made by the cell / (planned automatic + manual), over passes whose processing ended",
        examples=[0.89],
    )


class ChangeoverAnswer(BaseModel):
    """Changeover of the zones within planned time: what was masked cost no output."""

    masked: Seconds = Field(
        description="seconds while another zone of the cell ran, or waited only for the head", examples=[22000.0]
    )
    unmasked: Seconds = Field(description="the other seconds", examples=[1800.0])


class PanelsAnswer(WindowAnswer):
    """The passes that ended in a window, and those that were not over at its end."""

    number: int = Field(description="passes that ended in the window, on all pages together", examples=[41])
    passes: list[PassAnswer]
    next: int | None = Field(description="give it as `after` for the next page; null on the last", examples=[1000])
    present: list[PassAnswer]
    programs: list[ProgramAnswer]
    changeover_s: ChangeoverAnswer
    revision: int = Field(
        description="rises when what was told of the window, or of its passes before it, was changed", examples=[1]
    )
    warnings: list[Warned]


def _named(lengths_us: dict[str, int]) -> dict[str, float]:
    return {name: seconds(length_us) for name, length_us in sorted(lengths_us.items())}


def _pass(shown: ShownPass) -> PassAnswer:
    one, kinds = shown.one, shown.inside.kinds
    return PassAnswer(
        unit="/".join(shown.zone),
        panel=one.panel,
        program=one.program,
        start=rfc3339(one.start_us),
        end=rfc3339(one.end_us) if one.is_over else None,
        outcome=one.outcome,
        whole=one.is_whole,
        floor_to_floor_s=seconds_or_none(one.floor_to_floor_us),
        time_s=TimeInPass.model_validate({kind: seconds(length_us) for kind, length_us in kinds.items()}),
        waits_s=_named(shown.inside.waits),
        faults_s=_named(shown.inside.faults),
        fasteners=PassFasteners(
            made=shown.made,
            automatic=one.automatic,
            manual=one.manual,
            left_for_hand=left_for_hand(one.planned, shown.made),
            of_other_panels=shown.share.of_other_panels,
            **shown.share.results,
        ),
        automation_level=automation_level(shown.made, one.planned),
    )


def _program(sums: ProgramPasses) -> ProgramAnswer:
    times = sums.whole_us
    floor_to_floor = FloorToFloor(
        count=len(times),
        mean_s=seconds_or_none(sums.mean_us),
        median_s=seconds_or_none(quantile(times, 0.5)),
        p90_s=seconds_or_none(quantile(times, 0.9)),
        shortest_s=seconds_or_none(quantile(times, 0.0)),
        longest_s=seconds_or_none(quantile(times, 1.0)),
    )
    return ProgramAnswer(
        program=sums.program,
        number=sums.number,
        floor_to_floor=floor_to_floor,
        automation_level=sums.automation_level,
        **sums.outcomes,
    )


def _changeover(account: Account) -> ChangeoverAnswer:
    unmasked_us = account.zone_changeover_us - account.masked_us
    return ChangeoverAnswer(masked=seconds(account.masked_us), unmasked=seconds(unmasked_us))


def answer_of(panels: Panels, after: int) -> PanelsAnswer:
    """Return what the API answers of passes, of which a page after the first `after` was read."""
    kpi, reached = panels.kpi, after + len(panels.page)
    return PanelsAnswer(
        **window_told(kpi.unit, kpi.window, kpi.until_us),
        number=panels.number,
        passes=[_pass(shown) for shown in panels.page],
        next=reached if reached < panels.number else None,
        present=[_pass(shown) for shown in panels.present],
        programs=[_program(sums) for sums in panels.programs],
        changeover_s=_changeover(kpi.account),
        revision=panels.revision,
        warnings=warned(panels.warnings),
    )
