"""GET /health: whether the process lives, and whether it can do its work."""

import asyncio

from fastapi import APIRouter
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf
from zoneledger.api.problems import ApiError, described
from zoneledger.bootstrap import Check
from zoneledger.core.errors import StoreUnavailable

router = APIRouter(tags=["operations"])

#: A check that takes longer has failed.
CHECK_S = 5.0


class LiveAnswer(BaseModel):
    """The process answers."""

    live: bool = Field(default=True, description="always true", examples=[True])


class ReadyAnswer(BaseModel):
    """All that readiness rests on is well; where something is not, the answer is a problem that names it."""

    ready: bool = Field(description="always true: otherwise the answer is a problem", examples=[True])
    checks: dict[str, bool] = Field(
        description="what it rests on, by name", examples=[{"database": True, "recorder": True, "broker": True}]
    )
    listens: bool | None = Field(
        description="whether this process takes in what the broker brings; false where another one does, and this one "
        "would take over; null without a broker",
        examples=[True],
    )


@router.get("/health/live", responses=described())
async def get_live() -> LiveAnswer:
    """Whether the process answers at all."""
    return LiveAnswer()


@router.get("/health/ready", responses=described("not_ready"))
async def get_ready(service: ServiceOf) -> ReadyAnswer:
    """Whether the service can take messages in and answer: the database, what takes messages in, and the broker if one is set."""
    failing = [name for name, check in service.checks.items() if not await _is_well(check)]
    if failing:
        faults = [(f"check/{name}", "is not well; the service's log says why") for name in failing]
        raise ApiError("not_ready", f"Not well: {', '.join(failing)}.", faults)
    listens = service.listens and service.listens()
    return ReadyAnswer(ready=True, checks=dict.fromkeys(service.checks, True), listens=listens)


async def _is_well(check: Check) -> bool:
    try:
        return await asyncio.wait_for(check(), CHECK_S)
    except (StoreUnavailable, TimeoutError):
        return False
