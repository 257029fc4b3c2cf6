"""What is answered of a given reason and of an open question, wherever they are told."""

from typing import Any

from pydantic import BaseModel, Field

from zoneledger.api.times import Seconds, Time, rfc3339, seconds
from zoneledger.application.given import Question, Told, path_of

_UNIT: Any = Field(description="the path of a cell or zone", examples=["harbour/wing-1/cell-1/2"])


class EntryAnswer(BaseModel):
    """What somebody said of a unit's time; it is kept whatever comes later."""

    id: int = Field(description="its number in the history", examples=[17])
    unit: str = _UNIT
    start: Time = Field(description="begin of the time, included")
    end: Time = Field(description="end of the time, not included")
    reason: str | None = Field(description="the reason given; null: taken back, or an undo", examples=["no-panel"])
    undoes: int | None = Field(description="of an undo: the number of the entry that it undoes", examples=[16])
    by: str = Field(description="the role that said so", examples=["shift-lead"])
    note: str | None = Field(description="why, in plain words", examples=["crane was at line 2"])
    recorded: Time = Field(description="when it was said")
    stands: bool = Field(description="whether it is not undone", examples=[True])
    in_effect_s: Seconds | None = Field(
        description="for how long it decides now, in seconds: idle time without a reason, and faults; null of an undo",
        examples=[900.0],
    )


class QuestionAnswer(BaseModel):
    """A stretch of planned time that the machine does not explain, and nobody else did so far."""

    unit: str = _UNIT
    start: Time = Field(description="its begin, included")
    end: Time = Field(description="its end, not included; `until` where it may go on")
    length_s: Seconds = Field(description="its length in seconds", examples=[1260.0])
    state: str = Field(description="idle or fault", examples=["idle"])
    reason: str | None = Field(description="the machine's: unexplained, or an alarm's code", examples=["unexplained"])


def entry_told(told: Told) -> EntryAnswer:
    """Return what the API answers of an entry."""
    row = told.entry.row
    return EntryAnswer(
        id=told.entry.id,
        unit=path_of(row.cell, row.zone),
        start=rfc3339(row.start_us),
        end=rfc3339(row.end_us),
        reason=row.reason,
        undoes=row.undoes,
        by=row.role,
        note=row.note,
        recorded=rfc3339(row.recorded_us),
        stands=told.stands,
        in_effect_s=None if told.decides_us is None else seconds(told.decides_us),
    )


def question_told(question: Question) -> QuestionAnswer:
    """Return what the API answers of an open question."""
    span = question.span
    return QuestionAnswer(
        unit=question.unit,
        start=rfc3339(span.start_us),
        end=rfc3339(span.end_us),
        length_s=seconds(span.end_us - span.start_us),
        state=span.state,
        reason=span.reason,
    )
