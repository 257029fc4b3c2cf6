"""GET /v1/evidence: the messages behind a stretch of a cell's or zone's time."""

import json
import re
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import AfterValidator, BaseModel, Field, WithJsonSchema
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, unit_of
from zoneledger.api.kpi_answers import window_told
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339, rfc3339_or_none
from zoneledger.api.turns import InTurn
from zoneledger.application.evidence import Evidence, Shown, read_evidence
from zoneledger.application.stored import MessageAt, MessageRow
from zoneledger.application.windows import window_of
from zoneledger.core.rows import EVENT_RANK, Gap

router = APIRouter(tags=["evidence"], route_class=InTurn)

_CURSOR = re.compile(r"[0-9]{1,16}\.[0-9]{1,16}\.[01]\.-?[0-9]{1,18}\.[0-9]{1,16}")


def _checked(value: str) -> str:
    if not _CURSOR.fullmatch(value):
        raise ValueError("should be the `next` of the page before")
    return value


Cursor = Annotated[
    str,
    AfterValidator(_checked),
    WithJsonSchema({"type": "string", "pattern": f"^{_CURSOR.pattern}$", "maxLength": 80}),
]


def read_cursor(text: str | None) -> MessageAt | None:
    """Return the place that a page ended at, None before the first page."""
    return None if text is None else MessageAt(*map(int, text.split(".")))


class EvidenceParameters(WindowParameters):
    """A window, and which page of its messages is given."""

    after: Cursor | SkipJsonSchema[None] = optional(
        "Only messages after this one: `next` of the page before", "1764050400.4180.0.1764054000000000.17"
    )
    limit: int = Field(default=100, ge=1, le=1000, description="At most so many messages", examples=[100])


class TouchingGap(BaseModel):
    """Events that are missing right before or right after a message."""

    boot: int = Field(description="the controller's start in which they are missing", examples=[1764050400])
    first_seq: int = Field(description="number of the first one missing", examples=[4181])
    last_seq: int = Field(description="number of the last one missing", examples=[4183])
    since: Time | None = Field(description="booked time of the message before them; null where there is none")
    until: Time = Field(description="booked time of the message that showed that they are missing")


class BehindMessage(BaseModel):
    """An event or snapshot of the cell."""

    boot: int = Field(description="the controller's start", examples=[1764050400])
    seq: int = Field(
        description="number of the event; of a snapshot that of the event before it, 0 before any", examples=[4180]
    )
    at: Time = Field(description="the controller's time")
    arrived: Time | None = Field(description="when it arrived; null of a snapshot, of which that is not kept")
    type: str = Field(description="its type, known to this version or not", examples=["wait"])
    zone: str | None = Field(description="the zone that it names; null for the whole cell", examples=["1"])
    gaps: list[TouchingGap] = Field(description="events that are missing right before it, or right after it")
    message: dict[str, Any] = Field(
        description="the message as it came; of a snapshot what is kept of it: place, time, zones and alarms",
        examples=[{"v": 1, "boot": 1764050400, "seq": 4180, "at": "2026-11-25T06:00:00Z", "type": "wait"}],
    )


class EvidenceAnswer(BaseModel):
    """A page of the messages behind a stretch of a cell's or zone's time."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="start of the window, included")
    end: Time = Field(description="end of the window, not included")
    before: BehindMessage | None = Field(
        description="the last message before the window that made the state at its start; null where one in the window "
        "did, or none that is kept",
        examples=[None],
    )
    messages: list[BehindMessage] = Field(description="those booked in the window, in the order of boot and seq")
    next: str | None = Field(
        description="give it as `after` for the next page, which may be empty; null on the last",
        examples=["1764050400.4180.0.1764054000000000.17"],
    )


@router.get(
    "/v1/evidence/{unit:path}",
    response_model=EvidenceAnswer,
    responses=described("unit_unknown", "shift_unknown", "window_invalid", "level_wrong", "busy"),
)
async def get_evidence(
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[EvidenceParameters, Query()],
) -> Response:
    """The events and snapshots behind a stretch of at most a day of a cell or a zone, each as it came, and what is missing.

    Of a zone those are left out that name another zone. A page has at most about 2 MiB of messages, and may have fewer than `limit`
    though more follow.
    """
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us, after = service.now_us(), read_cursor(parameters.after)
        window = window_of(found, parameters.asked(), now_us)
        evidence = await read_evidence(reading, found, window, after, parameters.limit, now_us, service.limits)
    return Response(_text(evidence), media_type="application/json")


def _text(evidence: Evidence) -> str:
    """Return an answer whose messages are JSON already."""
    told = window_told(evidence.unit, evidence.window, evidence.window.end_us)
    head = {name: told[name] for name in ("unit", "start", "end")}
    before = "null" if evidence.before is None else _message(evidence.before)
    following = None if evidence.after is None else ".".join(map(str, evidence.after))
    messages = ",".join(map(_message, evidence.page))
    return f'{json.dumps(head)[:-1]},"before":{before},"messages":[{messages}],"next":{json.dumps(following)}}}'


def _message(shown: Shown) -> str:
    row = shown.row
    told = {
        "boot": row.at.boot,
        "seq": row.at.seq,
        "at": rfc3339(row.at.at_us),
        "arrived": rfc3339_or_none(row.arrived_us),
        "type": row.type,
        "zone": shown.zone,
        "gaps": [_gap(gap) for gap in shown.gaps],
    }
    return f'{json.dumps(told)[:-1]},"message":{_body(row)}}}'


def _body(row: MessageRow) -> str:
    if row.at.rank == EVENT_RANK:
        return row.body
    told = {"v": 1, "boot": row.at.boot, "seq": row.at.seq, "at": rfc3339(row.at.at_us), "type": row.type}
    return f"{json.dumps(told)[:-1]},{row.body[1:]}"


def _gap(gap: Gap) -> dict[str, Any]:
    return TouchingGap(
        boot=gap.place.boot,
        first_seq=gap.first_seq,
        last_seq=gap.last_seq,
        since=rfc3339_or_none(gap.since_us),
        until=rfc3339(gap.until_us),
    ).model_dump()
