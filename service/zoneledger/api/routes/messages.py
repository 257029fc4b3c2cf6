"""POST /v1/messages: the message contract without a broker."""

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf
from zoneledger.api.bodies import read_body
from zoneledger.api.problems import ApiError, described
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES, Refusal, decode_text, split_members

router = APIRouter(tags=["messages"])


class RefusedAnswer(BaseModel):
    """A message that was not taken into the ledger; it is kept and listed under /v1/refused."""

    index: int = Field(description="its place in `messages`, from 0", examples=[3])
    reason: str = Field(description="why, for programs", examples=["unknown_zone"])
    detail: str = Field(description="why, in a sentence")


class ReceiptAnswer(BaseModel):
    """What became of the messages; all of it is committed, and figures read from now on include it."""

    stored: int = Field(description="new messages", examples=[998])
    duplicate: int = Field(description="messages that were known already and changed nothing", examples=[1])
    refused: list[RefusedAnswer]


_BODY = {
    "required": True,
    "content": {
        "application/json": {
            "schema": {
                "type": "object",
                "required": ["cell", "messages"],
                "properties": {
                    "cell": {
                        "type": "string",
                        "maxLength": 200,
                        "description": "the cell's path",
                        "examples": ["harbour/wing-1/cell-1"],
                    },
                    "messages": {
                        "type": "array",
                        "maxItems": MAX_MESSAGES,
                        "description": "messages of the contract, version 1; see docs/contract.md",
                        "items": {"type": "object"},
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


def _messages_text(text: str) -> tuple[str, str]:
    """Return the cell and the text of the array of messages; the messages' own text stays as it came."""
    try:
        members = split_members(text)
    except Refusal as refusal:
        raise ApiError("body_invalid", f"The body should be JSON: {refusal.detail}.") from None
    if members is None or set(members) != {"cell", "messages"}:
        raise ApiError(
            "request_invalid", 'The body should be an object {"cell": ..., "messages": [...]}, each given once.'
        )
    cell, messages = members["cell"], members["messages"]
    if not isinstance(cell.value, str) or len(cell.value) > 200 or not _is_plain(cell.value):
        raise ApiError(
            "request_invalid", "cell should be a path such as harbour/wing-1/cell-1.", [("body/cell", "a path")]
        )
    if not isinstance(messages.value, list):
        raise ApiError("request_invalid", "messages should be an array.", [("body/messages", "an array")])
    if len(messages.value) > MAX_MESSAGES:
        detail = f"messages should have at most {MAX_MESSAGES} entries; send the rest in another request."
        raise ApiError("request_invalid", detail, [("body/messages", f"at most {MAX_MESSAGES} entries")])
    return cell.value, messages.text


def _is_plain(cell: str) -> bool:
    return cell.isprintable()


def _answer(receipt: Receipt) -> ReceiptAnswer:
    refused = [RefusedAnswer(index=one.index, reason=one.reason, detail=one.detail) for one in receipt.refused]
    return ReceiptAnswer(stored=receipt.stored, duplicate=receipt.duplicate, refused=refused)


@router.post(
    "/v1/messages",
    openapi_extra={"requestBody": _BODY},
    responses=described("body_invalid", "body_too_large"),
)
async def post_messages(service: ServiceOf, request: Request) -> ReceiptAnswer:
    """Hand in messages of one cell, for backfill, tests and simulators; answers after they are stored and booked.

    A message that breaks the contract, or comes from a cell or zone that the plant model does not name, is refused: kept
    and listed, never booked. It costs the others nothing.
    """
    body = await read_body(request, MAX_PAYLOAD_BYTES)
    try:
        text = decode_text(body)
    except Refusal as refusal:
        raise ApiError("body_invalid", f"The body should be UTF-8: {refusal.detail}.") from None
    cell, messages = _messages_text(text)
    receipt = await service.recorder.record(Delivery(cell, messages.encode(), "http"))
    return _answer(receipt)
