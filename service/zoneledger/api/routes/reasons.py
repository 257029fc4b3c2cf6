"""POST /v1/reasons and its undo, GET /v1/reasons and /v1/questions: what people say of time, and what they are asked."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field

from zoneledger.api.access import CallerOf, ServiceOf, UnitPath, WindowParameters, find_unit, unit_of
from zoneledger.api.bodies import JSON, described_body, media_type, read_body, read_object
from zoneledger.api.door import noted
from zoneledger.api.guard import Guarded, check_reach
from zoneledger.api.pages import MAX_ID, ListParameters
from zoneledger.api.problems import described
from zoneledger.api.reason_answers import EntryAnswer, QuestionAnswer, entry_told, question_told
from zoneledger.api.reason_bodies import MAX_BODY_BYTES, GivingBody, UndoBody
from zoneledger.api.times import Seconds, Time, rfc3339, seconds
from zoneledger.api.turns import InTurn, Turns
from zoneledger.application.audit import REASONS
from zoneledger.application.given import asked_states, path_of, read_history, read_questions
from zoneledger.application.giving import Giving, Kept, give, undo
from zoneledger.application.windows import window_of

router = APIRouter(tags=["reasons"], route_class=InTurn)
#: All that changes what is said: whatever is to guard it later has to guard these routes only.
writing_router = APIRouter(tags=["reasons"], route_class=Guarded)

MAX_LONGER_THAN_S = 31 * 86_400


class KeptAnswer(BaseModel):
    """An entry that was kept for good; figures read from now on follow it."""

    id: int = Field(description="its number in the history, which an undo names", examples=[17])
    recorded: Time = Field(description="when it was kept")
    in_effect_s: Seconds | None = Field(
        description="for how long it decides now, in seconds: idle time without a reason, and faults; null of an undo",
        examples=[900.0],
    )


class HistoryPage(BaseModel):
    """A page of what people said, in the order in which they did."""

    unit: str = Field(description="the path that was asked for", examples=["harbour/wing-1/cell-1"])
    entries: list[EntryAnswer]
    next: int | None = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class QuestionsAnswer(BaseModel):
    """The open questions of a window, the longest first."""

    unit: str = Field(description="the path that was asked for", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="begin of the window, included")
    end: Time = Field(description="end of the window, not included")
    until: Time = Field(description="where reading ended: the window's end, or now if that is earlier")
    number: int = Field(description="how many there are, of which at most `limit` are given", examples=[12])
    total_s: Seconds = Field(description="how long all of them are together, in seconds", examples=[5400.0])
    questions: list[QuestionAnswer]


class HistoryParameters(ListParameters):
    """Which page of the history is given."""

    limit: int = Field(default=100, ge=1, le=200, description="At most so many entries", examples=[100])


class QuestionParameters(WindowParameters):
    """A window, and which of its time is asked about."""

    longer_than: float = Field(
        default=60.0,
        ge=0,
        le=MAX_LONGER_THAN_S,
        description="Only stretches longer than so many seconds",
        examples=[300.0],
    )
    faults: bool = Field(default=False, description="Ask about faults, too", examples=[True])
    limit: int = Field(default=100, ge=1, le=1000, description="At most so many questions", examples=[100])


EntryId = Annotated[int, Path(ge=1, le=MAX_ID, description="The number of the entry", examples=[17])]

_GIVING = {
    "unit": "harbour/wing-1/cell-1/2",
    "start": "2026-11-25T08:00:00Z",
    "end": "2026-11-25T08:15:00Z",
    "reason": "no-panel",
    "by": "shift-lead",
    "note": "crane was at line 2",
}
_UNDO = {"by": "shift-lead", "note": "it was another cell"}
_WITH_BODY = ("body_invalid", "body_too_slow", "body_too_large", "media_type", "busy")


def _kept(kept: Kept) -> KeptAnswer:
    decides_us = kept.decides_us
    effect_s = None if decides_us is None else seconds(decides_us)
    return KeptAnswer(id=kept.id, recorded=rfc3339(kept.recorded_us), in_effect_s=effect_s)


@writing_router.post(
    "/v1/reasons",
    status_code=201,
    openapi_extra=described_body(GivingBody, _GIVING),
    responses=described("unit_unknown", "level_wrong", "reason_unknown", "role_unknown", "window_invalid", *_WITH_BODY),
)
async def post_reason(service: ServiceOf, caller: CallerOf, request: Request) -> KeptAnswer:
    """Give a reason to time of a cell or zone, or take a given one back by null; later entries win, instant by instant.

    It counts where the ledger is idle without a reason, or in fault, now and after late messages; elsewhere it is kept without
    effect. State and the machine's reason stay as they are. Nothing is overwritten: every entry is kept, and can be undone.
    """
    media_type(request, (JSON,))
    body = read_object(await read_body(request, MAX_BODY_BYTES), GivingBody, _GIVING)
    check_reach(caller, body.unit)
    giving = Giving(body.start, body.end, body.reason, body.by, body.note)
    turns: Turns = request.app.state.turns["reasons"]
    async with turns.turn(), service.store.writing() as writing:
        unit = find_unit((await service.plants.present(writing)).plant, body.unit)
        kept = await give(writing, unit, giving, service.now_us(), service.limits)
    await noted(request, REASONS, f"entry {kept.id} of {unit.path}")
    return _kept(kept)


@writing_router.post(
    "/v1/reasons/{id}/undo",
    status_code=201,
    openapi_extra=described_body(UndoBody, _UNDO),
    responses=described("entry_unknown", "unit_unknown", "role_unknown", "already_undone", *_WITH_BODY),
)
async def post_undo(service: ServiceOf, caller: CallerOf, request: Request, id: EntryId) -> KeptAnswer:
    """Let an entry count no more, by an entry of its own; to undo an undo lets what it undid count again."""
    media_type(request, (JSON,))
    body = read_object(await read_body(request, MAX_BODY_BYTES), UndoBody, _UNDO)
    turns: Turns = request.app.state.turns["reasons"]
    async with turns.turn(), service.store.writing() as writing:
        if (entry := await writing.given_entry(id)) is not None:
            check_reach(caller, path_of(entry.cell, entry.row.zone))
        plant = await service.plants.present(writing)
        kept = await undo(writing, plant, id, body.by, body.note, service.now_us(), service.limits)
    await noted(request, REASONS, f"entry {kept.id} undoes {id}")
    return _kept(kept)


@router.get("/v1/reasons/{unit:path}", responses=described("unit_unknown", "busy"))
async def get_reasons(
    service: ServiceOf, unit: UnitPath, parameters: Annotated[HistoryParameters, Query()]
) -> HistoryPage:
    """What people said of a unit and of all that lies under it, in order, undone or not, and what each entry does now."""
    after, limit = parameters.after, parameters.limit
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        told = await read_history(reading, found, after, limit + 1, service.now_us(), service.limits)
    page = told[:limit]
    following = page[-1].entry.id if len(told) > limit else None
    return HistoryPage(unit=found.path, entries=[entry_told(one) for one in page], next=following)


@router.get("/v1/questions/{unit:path}", responses=described("unit_unknown", "shift_unknown", "window_invalid", "busy"))
async def get_questions(
    service: ServiceOf, unit: UnitPath, parameters: Annotated[QuestionParameters, Query()]
) -> QuestionsAnswer:
    """Stretches of planned time, idle without a reason, that nobody has given one: the longest first; faults where asked.

    Of a zone those of the zone, of a cell those of the cell itself, of a line or site those of its cells; at most 31 days.
    """
    states, longer_than_us = asked_states(faults=parameters.faults), round(parameters.longer_than * 1_000_000)
    async with service.store.reading() as reading:
        found = await unit_of(service, reading, unit)
        now_us = service.now_us()
        window = window_of(found, parameters.asked(), now_us)
        read = await read_questions(
            reading, found, window, states, longer_than_us, parameters.limit, now_us, service.limits
        )
    return QuestionsAnswer(
        unit=found.path,
        start=rfc3339(window.start_us),
        end=rfc3339(window.end_us),
        until=rfc3339(read.until_us),
        number=read.number,
        total_s=seconds(read.total_us),
        questions=[question_told(one) for one in read.longest],
    )


router.include_router(writing_router)
