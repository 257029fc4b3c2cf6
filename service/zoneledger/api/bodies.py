"""Reads a request's body whole, of the kinds and within the limit that a call takes."""

import asyncio
import json
from collections.abc import Collection, Sequence
from typing import Any, TypeVar

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ValidationError

from zoneledger.api.problems import ApiError
from zoneledger.core.decoding import Refusal, check_values, decode_text, decode_value
from zoneledger.wording import printable

JSON = "application/json"
#: A body that takes longer than this to come is not waited for: 1 MiB has so long over 280 kbit/s.
SLOWEST_S = 30.0

BodyT = TypeVar("BodyT", bound=BaseModel)


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
    """Return the body; raise ApiError `body_too_large` as soon as it is known to be longer than the limit, or `body_too_slow`."""
    declared = request.headers.get("content-length", "").lstrip("0")
    if declared.isdecimal() and (len(declared) > len(str(max_bytes)) or int(declared) > max_bytes):
        raise _too_large(max_bytes)
    body = bytearray()
    try:
        async with asyncio.timeout(SLOWEST_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > max_bytes:
                    raise _too_large(max_bytes)
    except TimeoutError:
        raise ApiError("body_too_slow", f"The body should be here within {SLOWEST_S:g} s.") from None
    return bytes(body)


def _too_large(max_bytes: int) -> ApiError:
    return ApiError("body_too_large", f"The body should have at most {max_bytes} bytes.")


def read_object(body: bytes, model: type[BodyT], example: dict[str, Any]) -> BodyT:
    """Return what a body says; raise ApiError `body_invalid`, or `request_invalid` with each place that is wrong."""
    try:
        value = decode_value(decode_text(body))
        check_values(value)
    except Refusal as refusal:
        raise ApiError("body_invalid", f"The body should be one JSON object in UTF-8: {refusal.detail}.") from None
    if not isinstance(value, dict):
        raise ApiError("request_invalid", f"The body should be an object, such as {json.dumps(example)}.")
    try:
        return model.model_validate(value)
    except ValidationError as error:
        places = [{**one, "loc": ("body", _field(model, one["loc"]))} for one in error.errors()]
        raise RequestValidationError(places) from None


def _field(model: Any, place: Sequence[Any]) -> str:
    """Return which field of a body a place is, such as `targets/oee`: without what pydantic tried there."""
    steps = []
    for step in place:
        steps.append(str(step))
        known = model.model_fields.get(step)
        model = known.annotation if known else None
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            break
    return "/".join(steps)


def described_body(model: type[BaseModel], example: dict[str, Any]) -> dict[str, Any]:
    """Return what OpenAPI is told of a body."""
    schema = model.model_json_schema()
    content = {JSON: {"schema": _inlined(schema, schema.pop("$defs", {})), "example": example}}
    return {"requestBody": {"required": True, "content": content}}


def _inlined(value: Any, models: dict[str, Any]) -> Any:
    """Return a schema with each model in the place of the reference to it: there are no `$defs` in an OpenAPI document."""
    if isinstance(value, list):
        return [_inlined(one, models) for one in value]
    if not isinstance(value, dict):
        return value
    rest = {name: _inlined(one, models) for name, one in value.items() if name != "$ref"}
    if "$ref" not in value:
        return rest
    return {**_inlined(models[value["$ref"].rpartition("/")[2]], models), **rest}
