"""Pages of a list: which rows a query asks for, and where the next page begins."""

from pydantic import Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import Parameters, optional
from zoneledger.application.stored import Listed, RowT

MAX_ID = 2**53 - 1


class ListParameters(Parameters):
    """Which page of a list is given."""

    after: int = Field(
        default=0, ge=0, le=MAX_ID, description="Only rows after this id: `next` of the page before", examples=[0]
    )
    limit: int = Field(default=100, ge=1, le=1000, description="At most so many rows", examples=[100])

    def cut(self, rows: list[Listed[RowT]]) -> tuple[list[Listed[RowT]], int | None]:
        """Return the page of rows, of which one more than the limit was read, and where the next begins (None: nowhere)."""
        page = rows[: self.limit]
        return page, page[-1].id if len(rows) > self.limit else None


class PageParameters(ListParameters):
    """Which rows a list gives."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only of the cells of this unit", "harbour/wing-1/cell-1", max_length=200
    )
