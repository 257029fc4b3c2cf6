"""What the body of POST /v1/refused/retry holds: which refused messages are to be offered again."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, field_validator
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import optional
from zoneledger.api.pages import MAX_ID
from zoneledger.api.problems import NO_CONTROLS
from zoneledger.application.retry import ROWS_AT_ONCE
from zoneledger.application.stored import RefusedFilter
from zoneledger.core.decoding import Reason

MAX_BODY_BYTES = 64 * 1024
MAX_CELL = 500
MAX_IDS = 1000

_Id = Annotated[int, Field(ge=1, le=MAX_ID)]


class Chosen(BaseModel):
    """Refused messages of a cell, or for a reason."""

    cell: str | SkipJsonSchema[None] = optional(
        "Only what was sent as this cell, named by the plant model or not",
        "harbour/wing-1/cell-9",
        max_length=MAX_CELL,
        pattern=NO_CONTROLS,
    )
    reason: Reason | SkipJsonSchema[None] = optional("Only what was refused for this reason", "unknown_cell")


class RetryBody(Chosen):
    """Which refused messages are meant; without any of it all of them are."""

    model_config = ConfigDict(extra="forbid", strict=True)

    ids: list[_Id] | SkipJsonSchema[None] = optional(
        "only these entries of the list", [17, 18], min_length=1, max_length=MAX_IDS
    )
    after: int = Field(
        default=0, ge=0, le=MAX_ID, description="only entries after this id: `next` of the answer before"
    )
    upto: int | SkipJsonSchema[None] = optional(
        "only entries up to this id: `upto` of the answer before; those that there are now, unless told",
        9000,
        ge=0,
        le=MAX_ID,
    )
    limit: int = Field(
        default=ROWS_AT_ONCE, ge=1, le=ROWS_AT_ONCE, description="at most so many entries; fewer, where they are long"
    )

    @field_validator("*", mode="before")
    @classmethod
    def _is_given(cls, value: Any) -> Any:
        if value is None:
            raise ValueError("should be left out, or have a value")
        return value

    @property
    def which(self) -> RefusedFilter:
        """The refused messages that are meant."""
        ids = None if self.ids is None else tuple(self.ids)
        return RefusedFilter(self.cell, self.reason, ids, self.after, self.upto)


EXAMPLE = {"cell": "harbour/wing-1/cell-9", "reason": "unknown_cell"}
