"""GET /v1/tables: what people take into tools of their own, as CSV, JSON lines or Parquet."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response
from pydantic import Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import WindowParameters, find_unit, optional
from zoneledger.api.door import door_of
from zoneledger.api.exporting import Export, Sending, TableStream
from zoneledger.api.guard import Entrance, Guarded
from zoneledger.api.problems import described
from zoneledger.api.table_formats import Format
from zoneledger.application.tables.asking import TABLES, parts_of
from zoneledger.application.tables.columns import Source
from zoneledger.bootstrap import Service

router = APIRouter(tags=["tables"], route_class=Guarded)

TableName = Literal[
    "spans", "fasteners", "panels", "shifts", "losses", "events", "refused", "gaps", "discrepancies", "reasons"
]

_CSV = "unit,cell,zone,start,end,seconds,planned_s,state,reason,given,given_id\r\n"
_CONTENT: dict[str, Any] = {
    "text/csv": {"schema": {"type": "string"}, "example": _CSV},
    "application/x-ndjson": {"schema": {"type": "string"}},
    "application/vnd.apache.parquet": {"schema": {"type": "string", "format": "binary"}},
}
_DISPOSITION = {"description": "a name for the file", "schema": {"type": "string", "examples": ["attachment"]}}


class TableParameters(WindowParameters):
    """Which rows of a table are given, and in which form."""

    unit: str | SkipJsonSchema[None] = optional(
        "Only of this unit and what lies under it; else of the whole plant", "harbour/wing-1", max_length=200
    )
    format: Format = Field(default="csv", description="CSV, JSON lines or Parquet", examples=["parquet"])


def _filename(table: str, parameters: TableParameters) -> str:
    """Return a name for the file, of letters, digits, - and . only."""
    window = parameters.shift or parameters.day or ""
    told = "-".join(["zoneledger", table, *filter(None, [parameters.unit or "", str(window)])])
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in told) + f".{parameters.format}"


@router.get(
    "/v1/tables/{table}",
    response_class=Response,
    responses={
        **described("unit_unknown", "shift_unknown", "window_invalid", "busy"),
        200: {"description": "The table", "headers": {"Content-Disposition": _DISPOSITION}, "content": _CONTENT},
    },
)
async def get_table(
    request: Request,
    table: Annotated[TableName, Path(description="Which table", examples=["spans"])],
    parameters: Annotated[TableParameters, Query()],
) -> Response:
    """A table of a unit and a window, row by row, however long: spans, fasteners, panels, shifts, losses, or one of the lists.

    The window is `start` and `end`, or `shift`, or `day`; of `events`, `refused`, `gaps`, `discrepancies` and `reasons` it may be
    left out. A table that cannot be sent to its end breaks the connection: what came is not the whole then.
    """
    found = TABLES[table]

    async def open_source(service: Service) -> Source:
        async with service.store.reading() as reading:
            declared = await service.plants.present(reading)
        unit = None if parameters.unit is None else find_unit(declared.plant, parameters.unit)
        now_us = service.now_us()
        parts = parts_of(found, declared, unit, parameters.asked(), now_us)
        return Source(service.store, declared, parts, unit is None, now_us, service.limits)

    sending: Sending = request.app.state.sending
    entrance: Entrance = request.state.entrance
    export, name = Export(found, parameters.format, open_source), _filename(table, parameters)
    return TableStream(export, sending, name, lambda: door_of(request).still(entrance))
