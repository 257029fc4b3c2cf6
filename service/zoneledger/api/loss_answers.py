"""What /v1/losses answers, field by field."""

from collections.abc import Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, Field

from zoneledger.api.kpi_answers import NamedWindowAnswer, Warned, named_window_told, warned
from zoneledger.api.times import Seconds, Time, rfc3339, seconds
from zoneledger.application.losses import Losses
from zoneledger.core.given import GivenTimes, Share, shares
from zoneledger.core.losses import (
    Cause,
    Defects,
    LossAccount,
    Occurrences,
    ProgramLoss,
    causes_by_number,
    causes_by_time,
    items_in_order,
    positions_in_order,
    programs_in_order,
    steps_of,
)

#: Of items and of positions so many are given, the worst.
MAX_DEFECT_ROWS = 50
RowT = TypeVar("RowT")


class LossStep(BaseModel):
    """One step down from planned time."""

    step: str = Field(
        description="unknown, fault, changeover, idle, minor_stops, speed, rework or reject", examples=["minor_stops"]
    )
    lost_s: Seconds = Field(
        description="seconds lost in this step; of speed below 0 where the standard is slower than the cell",
        examples=[1440.0],
    )
    left_s: Seconds = Field(description="what is left of planned time after this step, in seconds", examples=[20160.0])


class ReasonLoss(BaseModel):
    """What a state with one reason took of planned time; an occurrence is one span, however many planned stops cut it."""

    state: str = Field(description="fault, idle, changeover or unknown; running for minor stops", examples=["fault"])
    reason: str = Field(
        description="why; `minor_stop` for minor stops, `no_evidence` where nothing was ever known",
        examples=["clamp-force"],
    )
    lost_s: Seconds = Field(description="seconds of planned time, all occurrences together", examples=[1200.0])
    occurrences: int = Field(description="how often it occurred in planned time", examples=[4])
    first: Time = Field(description="when the first of them begins in planned time")
    last: Time = Field(description="when the last of them begins in planned time")
    mean_s: Seconds = Field(description="mean seconds of one, within planned time", examples=[300.0])
    longest_s: Seconds = Field(description="seconds of the longest one, within planned time", examples=[660.0])
    given: dict[str, float] = Field(
        description="of lost_s, the seconds that people gave a reason, by theirs", examples=[{"no-panel": 900.0}]
    )


class GivenLoss(BaseModel):
    """What a state took of planned time for a reason that people gave, or, where they gave none, for the machine's."""

    state: str = Field(description="as in the other two orders", examples=["idle"])
    given: str | None = Field(description="the reason that people gave; null: none", examples=["no-panel"])
    reason: str | None = Field(description="the machine's; null where people gave one", examples=["operator"])
    lost_s: Seconds = Field(description="seconds of planned time", examples=[900.0])


class RankedReasons(BaseModel):
    """The reasons in three orders; the seconds of each sum to the same."""

    by_time: list[ReasonLoss] = Field(description="those that took the most time first")
    by_count: list[ReasonLoss] = Field(description="the most frequent first")
    by_given: list[GivenLoss] = Field(
        description="by the given reason, where people gave one, else by the machine's: those that took the most time first"
    )


class ProgramLosses(BaseModel):
    """What a program had of running time, and what came of it; over all programs they sum to the unit's."""

    program: str | None = Field(description="the program; null: none was told", examples=["skin-left"])
    running_s: Seconds = Field(description="seconds running this program, within planned time", examples=[10800.0])
    standard_s: Seconds = Field(description="standard seconds of what was made with it", examples=[8400.0])
    minor_stops_s: Seconds = Field(description="seconds of minor stops in its running time", examples=[900.0])
    speed_s: Seconds = Field(description="running less standard less minor stops; may be below 0", examples=[1500.0])
    made: int = Field(description="fasteners made with it in planned time", examples=[2100])


class DefectsOf(BaseModel):
    """Fasteners of planned time that are not good, by their result after verdicts."""

    rework: int = Field(description="those to be reworked", examples=[12])
    reject: int = Field(description="those that are lost", examples=[3])
    rework_s: Seconds = Field(
        description="standard seconds of those to be reworked; unrated ones have none", examples=[48.0]
    )
    reject_s: Seconds = Field(description="standard seconds of the lost ones; unrated ones have none", examples=[12.0])


class ItemDefects(DefectsOf):
    """What is not good of one item."""

    item: str | None = Field(description="the item; null: none was told", examples=["lb-8"])


class PositionDefects(DefectsOf):
    """What is not good at one position of a program's panels."""

    program: str | None = Field(description="the program; null: none was told", examples=["skin-left"])
    position: str | None = Field(description="the position on the panel; null: none was told", examples=["r-117"])


class ItemRanking(BaseModel):
    """The items of which the most was lost."""

    rows: list[ItemDefects] = Field(description="the worst first, at most 50")
    left_off: int = Field(description="how many further items have defects", examples=[0])


class PositionRanking(BaseModel):
    """The positions at which the most was lost."""

    rows: list[PositionDefects] = Field(description="the worst first, at most 50")
    left_off: int = Field(description="how many further positions have defects", examples=[0])


class LossAnswer(NamedWindowAnswer):
    """Where a unit's planned time went: planned less each step's `lost_s` leaves the standard seconds of the good fasteners."""

    planned_s: Seconds = Field(description="planned time in seconds; of a line the sum of its cells")
    steps: list[LossStep] = Field(description="the losses in order, always all eight; exact to the microsecond")
    good_standard_s: Seconds = Field(
        description="what is left after the last step: the standard seconds of the good fasteners", examples=[18769.0]
    )
    reasons: RankedReasons
    programs: list[ProgramLosses] = Field(description="by program, the one that ran longest first")
    items: ItemRanking
    positions: PositionRanking
    revision: int = Field(
        description="rises when late evidence or a changed plant model changed the figures", examples=[1]
    )
    warnings: list[Warned]


class LossSeriesAnswer(BaseModel):
    """Where a unit's planned time went over each part of a window, in order."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1"])
    by: str = Field(description="what the window is split into", examples=["shift"])
    series: list[LossAnswer]


def _steps(losses: Losses) -> list[LossStep]:
    found = steps_of(losses.kpi.account, losses.account.minor_stop_us)
    return [LossStep(step=one.name, lost_s=seconds(one.lost_us), left_s=seconds(one.left_us)) for one in found]


def _reason(cause: Cause, found: Occurrences, given: GivenTimes) -> ReasonLoss:
    state, reason = cause
    names = {name: seconds(length_us) for (*key, name), length_us in sorted(given.items()) if key == [state, reason]}
    return ReasonLoss(
        state=state,
        reason=reason or "no_evidence",
        lost_s=seconds(found.length_us),
        occurrences=found.number,
        first=rfc3339(found.first_us),
        last=rfc3339(found.last_us),
        mean_s=seconds(found.mean_us),
        longest_s=seconds(found.longest_us),
        given=names,
    )


def _given(share: Share) -> GivenLoss:
    reason = None if share.given else share.reason or "no_evidence"
    return GivenLoss(state=share.state, given=share.given, reason=reason, lost_s=seconds(share.length_us))


def _reasons(account: LossAccount, given: GivenTimes) -> RankedReasons:
    lost_us = {cause: found.length_us for cause, found in account.causes.items()}
    return RankedReasons(
        by_time=[_reason(*one, given) for one in causes_by_time(account.causes)],
        by_count=[_reason(*one, given) for one in causes_by_number(account.causes)],
        by_given=[_given(share) for share in shares(lost_us, given)],
    )


def _program(program: str | None, found: ProgramLoss) -> ProgramLosses:
    return ProgramLosses(
        program=program,
        running_s=seconds(found.running_us),
        standard_s=seconds(found.standard_us),
        minor_stops_s=seconds(found.minor_stop_us),
        speed_s=seconds(found.speed_loss_us),
        made=found.made,
    )


def _defects(found: Defects) -> dict[str, Any]:
    lost = {"rework_s": seconds(found.rework_standard_us), "reject_s": seconds(found.reject_standard_us)}
    return {"rework": found.rework, "reject": found.reject, **lost}


def _worst(rows: Sequence[RowT]) -> tuple[list[RowT], int]:
    """Return the first rows, and how many are left off."""
    return list(rows[:MAX_DEFECT_ROWS]), max(0, len(rows) - MAX_DEFECT_ROWS)


def _items(account: LossAccount) -> ItemRanking:
    rows, left_off = _worst(items_in_order(account.items))
    return ItemRanking(rows=[ItemDefects(item=item, **_defects(found)) for item, found in rows], left_off=left_off)


def _positions(account: LossAccount) -> PositionRanking:
    rows, left_off = _worst(positions_in_order(account.positions))
    told = [
        PositionDefects(program=program, position=position, **_defects(found)) for (program, position), found in rows
    ]
    return PositionRanking(rows=told, left_off=left_off)


def answer_of(losses: Losses) -> LossAnswer:
    """Return the answer for a unit's losses."""
    kpi, account = losses.kpi, losses.account
    return LossAnswer(
        **named_window_told(kpi.unit, kpi.window, kpi.until_us),
        planned_s=seconds(kpi.account.planned_us),
        steps=_steps(losses),
        good_standard_s=seconds(kpi.account.good_standard_us),
        reasons=_reasons(account, kpi.account.given),
        programs=[_program(*one) for one in programs_in_order(account.programs)],
        items=_items(account),
        positions=_positions(account),
        revision=kpi.revision,
        warnings=warned(kpi.warnings),
    )
