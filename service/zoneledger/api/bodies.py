"""Reads a request's body whole, of the kinds and within the limit that a call takes."""

from collections.abc import Collection

from fastapi import Request

from zoneledger.api.problems import ApiError, printable

JSON = "application/json"


def media_type(request: Request, taken: Collection[str]) -> str:
    """Return the body's media type, JSON where none is named; raise ApiError `media_type` for one that is not taken."""
    found = request.headers.get("content-type", JSON).partition(";")[0].strip().lower()
    if found not in taken:
        detail = f"The content type is {printable(found) or 'empty'}; it should be {' or '.join(taken)}."
        raise ApiError("media_type", detail)
    coding = request.headers.get("content-encoding", "identity").strip().lower()
    if coding != "identity":
        raise ApiError("media_type", f"The body is encoded by {printable(coding)}; send it as it is.")
    return found


async def read_body(request: Request, max_bytes: int) -> bytes:
    """Return the body; raise ApiError `body_too_large` as soon as it is known to be longer than the limit."""
    declared = request.headers.get("content-length", "").lstrip("0")
    if declared.isdecimal() and (len(declared) > len(str(max_bytes)) or int(declared) > max_bytes):
        raise _too_large(max_bytes)
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > max_bytes:
            raise _too_large(max_bytes)
    return bytes(body)


def _too_large(max_bytes: int) -> ApiError:
    return ApiError("body_too_large", f"The body should have at most {max_bytes} bytes.")
