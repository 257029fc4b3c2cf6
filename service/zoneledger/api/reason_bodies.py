"""What the bodies of POST /v1/reasons and of its undo hold: what somebody says of a unit's time, and in which role."""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field, field_validator
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import optional
from zoneledger.api.times import Instant
from zoneledger.core.plant import PATH_STEP_PATTERN

MAX_BODY_BYTES = 16 * 1024
MAX_UNIT, MAX_NOTE = 200, 500


class Said(BaseModel):
    """Who says something, as the role in which they do, and why."""

    model_config = ConfigDict(extra="forbid", strict=True)

    by: str = Field(
        pattern=PATH_STEP_PATTERN,
        description="the role that says so, one of the site's `roles`; never a person",
        examples=["shift-lead"],
    )
    note: str | SkipJsonSchema[None] = optional(
        "why, in plain words; no personal data belongs here", "crane was at line 2", max_length=MAX_NOTE
    )

    @field_validator("note", mode="before")
    @classmethod
    def _is_given(cls, value: Any) -> Any:
        if value is None:
            raise ValueError("should be left out, or be a text")
        return value


class GivingBody(Said):
    """A reason for a unit's time over [start, end), or null to take back what was said of it."""

    unit: str = Field(
        max_length=MAX_UNIT, description="the path of a cell or zone", examples=["harbour/wing-1/cell-1/2"]
    )
    start: Instant = Field(description="begin of the time, included")
    end: Instant = Field(description="end of the time, not included; not after now, at most 31 days after `start`")
    reason: str | None = Field(
        pattern=PATH_STEP_PATTERN,
        description="one of the site's `reasons`; null takes a given reason back",
        examples=["no-panel"],
    )


class UndoBody(Said):
    """Who takes an entry away again, and why."""
