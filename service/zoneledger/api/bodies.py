"""Reads a request's body whole, within a limit."""

from fastapi import Request

from zoneledger.api.problems import ApiError


async def read_body(request: Request, max_bytes: int) -> bytes:
    """Return the body; raise ApiError `body_too_large` as soon as it is longer than the limit."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > max_bytes:
            raise ApiError("body_too_large", f"The body should have at most {max_bytes} bytes.")
    return bytes(body)
