"""GET /health: whether the process lives, and whether it can do its work."""

from collections.abc import Sequence

from fastapi import APIRouter
from pydantic import BaseModel, Field

from zoneledger.api.access import CallerOf, ServiceOf
from zoneledger.api.guard import Guarded
from zoneledger.api.problems import ApiError, described
from zoneledger.api.times import Time, rfc3339, rfc3339_or_none
from zoneledger.application.lateness import Tally
from zoneledger.application.wellness import Ailing
from zoneledger.core.callers import Scope

router = APIRouter(tags=["operations"], route_class=Guarded)

#: A check that takes longer has failed.
CHECK_S = 5.0


class LatenessAnswer(BaseModel):
    """How late the event loop was in some time, in which something was due each 10 ms; null where nothing was due yet."""

    due: int = Field(description="how often something was due", examples=[5990])
    late_over_20_ms: int = Field(description="how often it was begun more than 20 ms late", examples=[0])
    late_p50_s: float | None = Field(
        description="half of it was begun at most so many seconds late, up to a fifth too high", examples=[0.00067]
    )
    late_p99_s: float | None = Field(
        description="99 in 100 were begun at most so many seconds late, up to a fifth too high", examples=[0.0038]
    )
    late_most_s: float | None = Field(description="the most that it was late, in seconds", examples=[0.0121])
    late_most_at: Time | None = Field(description="when what was so late was begun")


class EventLoopAnswer(BaseModel):
    """How late the event loop is, which takes messages in and answers: work that takes long at once holds both up."""

    last_minute: LatenessAnswer
    since_start: LatenessAnswer


class LiveAnswer(BaseModel):
    """The process answers, and how late."""

    live: bool = Field(default=True, description="always true", examples=[True])
    event_loop: EventLoopAnswer | None = Field(description="how late; null to whoever may not read", examples=[None])


class ReadyAnswer(BaseModel):
    """All that readiness rests on is well; where something is not, the answer is a problem that names it."""

    ready: bool = Field(description="always true: otherwise the answer is a problem", examples=[True])
    checks: dict[str, bool] = Field(
        description="what it rests on, by name; empty to whoever may not read",
        examples=[{"database": True, "recorder": True, "broker": True}],
    )
    listens: bool | None = Field(
        description="whether this process takes in what the broker brings; false where another one does, and this one "
        "would take over; null without a broker, and to whoever may not read",
        examples=[True],
    )


def _lateness(tally: Tally) -> LatenessAnswer:
    return LatenessAnswer(
        due=tally.due,
        late_over_20_ms=tally.too_late,
        late_p50_s=tally.share_s(0.5),
        late_p99_s=tally.share_s(0.99),
        late_most_s=None if tally.most_us is None else tally.most_s,
        late_most_at=rfc3339_or_none(tally.most_us),
    )


@router.get("/health/live", responses=described())
async def get_health_live(service: ServiceOf, caller: CallerOf) -> LiveAnswer:
    """Whether the process answers at all, and how late its event loop is."""
    if not caller.may(Scope.READ):
        return LiveAnswer(event_loop=None)
    lateness = service.lateness
    loop = EventLoopAnswer(last_minute=_lateness(lateness.last_minute), since_start=_lateness(lateness.since_start))
    return LiveAnswer(event_loop=loop)


@router.get("/health/ready", responses=described("not_ready"))
async def get_health_ready(service: ServiceOf, caller: CallerOf) -> ReadyAnswer:
    """Whether the service can take messages in and answer: the database, what takes messages in, and the broker if one is set."""
    ailing = await service.wellness.ailing(CHECK_S)
    if not caller.may(Scope.READ):
        return _told_to_strangers(ailing)
    if ailing:
        faults = [(f"check/{one.name}", _told(one)) for one in ailing]
        raise ApiError("not_ready", f"Not well: {', '.join(one.name for one in ailing)}.", faults)
    listens = service.listens and service.listens()
    return ReadyAnswer(ready=True, checks=dict.fromkeys(service.checks, True), listens=listens)


def _told_to_strangers(ailing: Sequence[Ailing]) -> ReadyAnswer:
    if ailing:
        raise ApiError("not_ready", "It is not well; who may read is told why.")
    return ReadyAnswer(ready=True, checks={}, listens=None)


def _told(one: Ailing) -> str:
    return f"{one.ailment.why}, since {rfc3339(one.since_us)} or before; {one.ailment.remedy}"
