"""GET /v1/audit: who logged in, what was refused, and who changed what."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf
from zoneledger.api.pages import ListParameters
from zoneledger.api.problems import described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import InTurn
from zoneledger.application.keyring import AuditEntry

router = APIRouter(tags=["access"], route_class=InTurn)

_NEXT: Any = Field(description="give it as `after` for the next page; null on the last", examples=[117])


class AuditEntryAnswer(BaseModel):
    """An entry of the audit log."""

    id: int = Field(description="its number in this list", examples=[17])
    at: Time = Field(description="when it happened; of refusals, when they were counted, which is once a minute")
    what: str = Field(
        description="login, logout, refused, key, plant, reasons, proof; others may follow", examples=["login"]
    )
    who: str = Field(description="who did it; empty where nobody knows", examples=["andon-board (key)"])
    address: str = Field(description="from which address; empty where it was none", examples=["192.0.2.17"])
    detail: str = Field(description="what was done, in a few words", examples=["session 5f0c1d2e9a7b"])


class AuditPage(BaseModel):
    """A page of the audit log."""

    audit: list[AuditEntryAnswer]
    next: int | None = _NEXT


def _told(entry: AuditEntry) -> AuditEntryAnswer:
    row = entry.row
    return AuditEntryAnswer(
        id=entry.id, at=rfc3339(row.at_us), what=row.what, who=row.who, address=row.address, detail=row.detail
    )


@router.get("/v1/audit", responses=described("busy"))
async def get_audit(service: ServiceOf, page: Annotated[ListParameters, Query()]) -> AuditPage:
    """Who logged in and out, what was refused to whom, and who changed keys, the plant model, reasons and acceptance runs.

    Entries are in the order in which they were written. Where nobody is asked who they are, little is known of who did what.
    """
    async with service.store.reading() as reading:
        found = await reading.audit(page.after, page.limit + 1)
    entries = found[: page.limit]
    return AuditPage(
        audit=[_told(entry) for entry in entries], next=entries[-1].id if len(found) > page.limit else None
    )
