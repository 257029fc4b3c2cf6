"""GET /health: whether the process lives, and whether it can do its work."""

from fastapi import APIRouter, Response
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf
from zoneledger.api.problems import described
from zoneledger.core.errors import StoreUnavailable

router = APIRouter(tags=["operations"])


class LiveAnswer(BaseModel):
    """The process answers."""

    live: bool = True


class ReadyAnswer(BaseModel):
    """What readiness rests on, by name: true where it is well."""

    ready: bool
    checks: dict[str, bool] = Field(examples=[{"database": True, "recorder": True, "broker": True}])


@router.get("/health/live", responses=described())
async def get_live() -> LiveAnswer:
    """Whether the process answers at all."""
    return LiveAnswer()


@router.get(
    "/health/ready",
    responses={503: {"description": "Something that the service rests on is not well", "model": ReadyAnswer}},
)
async def get_ready(service: ServiceOf, response: Response) -> ReadyAnswer:
    """Whether the service can take messages in and answer; 503 with the same body where it cannot."""
    checks = {"database": await _database_answers(service)}
    for name, check in service.checks.items():
        checks[name] = await check()
    ready = all(checks.values())
    response.status_code = 200 if ready else 503
    return ReadyAnswer(ready=ready, checks=checks)


async def _database_answers(service: ServiceOf) -> bool:
    try:
        async with service.store.reading() as reading:
            await reading.plant_version()
    except StoreUnavailable:
        return False
    return True
