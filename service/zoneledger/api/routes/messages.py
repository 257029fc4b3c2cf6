"""POST /v1/messages: the message contract without a broker."""

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from zoneledger.api.access import CallerOf, ServiceOf
from zoneledger.api.bodies import JSON, media_type, read_body
from zoneledger.api.guard import Guarded, check_reach
from zoneledger.api.message_bodies import MAX_CELL, read_message_body
from zoneledger.api.problems import described
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES

router = APIRouter(tags=["messages"], route_class=Guarded)


class RefusedMessageAnswer(BaseModel):
    """A message that was not taken into the ledger; it is kept and listed under /v1/refused."""

    index: int = Field(description="its place in `messages`, from 0", examples=[3])
    reason: str = Field(description="why, for programs", examples=["unknown_zone"])
    detail: str = Field(
        description="why, in a sentence", examples=["the plant model names no zone 9 in harbour/wing-1/cell-1"]
    )


class ReceiptAnswer(BaseModel):
    """What became of the messages; all of it is committed, and figures read from now on include it."""

    stored: int = Field(description="new messages", examples=[998])
    duplicate: int = Field(description="messages that were known already and changed nothing", examples=[1])
    refused: list[RefusedMessageAnswer]


_BODY = {
    "required": True,
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["cell", "messages"],
                "additionalProperties": False,
                "properties": {
                    "cell": {
                        "type": "string",
                        "minLength": 1,
                        "maxLength": MAX_CELL,
                        "description": "the cell's path",
                        "examples": ["harbour/wing-1/cell-1"],
                    },
                    "messages": {
                        "type": "array",
                        "maxItems": MAX_MESSAGES,
                        "description": "messages of the contract, version 1; see docs/contract.md",
                        "items": {"description": "one message; what breaks the contract is refused by itself"},
                    },
                },
            },
            "example": {
                "cell": "harbour/wing-1/cell-1",
                "messages": [
                    {
                        "v": 1,
                        "boot": 1764050400,
                        "seq": 1,
                        "at": "2026-11-25T06:00:00Z",
                        "type": "activity",
                        "zone": "1",
                        "activity": "process",
                        "phase": "begin",
                    }
                ],
            },
        }
    },
}


def _answer(receipt: Receipt) -> ReceiptAnswer:
    refused = [RefusedMessageAnswer(index=one.index, reason=one.reason, detail=one.detail) for one in receipt.refused]
    return ReceiptAnswer(stored=receipt.stored, duplicate=receipt.duplicate, refused=refused)


@router.post(
    "/v1/messages",
    openapi_extra={"requestBody": _BODY},
    responses=described("body_invalid", "body_too_slow", "body_too_large", "media_type"),
)
async def post_messages(service: ServiceOf, caller: CallerOf, request: Request) -> ReceiptAnswer:
    """Hand in messages of one cell, for backfill, tests and simulators; answers after they are stored and booked.

    A message that breaks the contract, or comes from a cell or zone that the plant model does not name, is refused: kept
    and listed, never booked. It costs the others nothing. A body has at most 256 KiB.
    """
    media_type(request, (JSON,))
    cell, messages = read_message_body(await read_body(request, MAX_PAYLOAD_BYTES))
    check_reach(caller, cell)
    return _answer(await service.recorder.record(Delivery(cell, messages, "http")))
