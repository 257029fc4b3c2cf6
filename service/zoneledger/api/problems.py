"""Problems (RFC 9457): every error that the API answers, made in one place from one table."""

import logging
from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from zoneledger.core.errors import PlantInvalid, ZoneledgerError

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

#: What each error of the service is to HTTP: its status and title.
TABLE: dict[str, tuple[int, str]] = {
    "plant_invalid": (422, "The plant model is not valid"),
    "unit_unknown": (404, "There is no such unit"),
    "shift_unknown": (404, "There is no such shift"),
    "version_unknown": (404, "There is no such version"),
    "window_invalid": (422, "The window is not valid"),
    "request_invalid": (422, "The request is not valid"),
    "body_invalid": (400, "The body cannot be read"),
    "body_too_large": (413, "The body is too large"),
    "media_type": (415, "The body's media type is not taken"),
    "route_unknown": (404, "There is no such resource"),
    "method_not_allowed": (405, "The resource does not take this method"),
    "store_unavailable": (503, "The database does not answer"),
    "internal": (500, "The service failed"),
}
RETRY_AFTER_S = 2


class Fault(BaseModel):
    """One place of the request and what would be right there."""

    place: str = Field(description="The parameter, header or place in the body", examples=["query/end"])
    detail: str = Field(description="What would be right", examples=["must be given"])


class Problem(BaseModel):
    """An error as RFC 9457 gives it, with a code for programs."""

    type: str = Field(description="A URI reference that names the kind of problem", examples=["/problems/unit_unknown"])
    title: str = Field(description="The kind of problem in words", examples=["There is no such unit"])
    status: int = Field(description="The HTTP status", examples=[404])
    detail: str = Field(description="This problem in a sentence that says what would be right")
    instance: str = Field(description="The path that was asked for", examples=["/v1/kpi/harbour"])
    code: str = Field(description="The kind of problem for programs", examples=["unit_unknown"])
    errors: list[Fault] = Field(description="Each place that is wrong, where there are several")


class ApiError(ZoneledgerError):
    """An error that only HTTP knows; `code` is one of TABLE."""

    def __init__(self, code: str, detail: str, errors: Sequence[tuple[str, str]] = ()) -> None:
        super().__init__(detail)
        self.code = code
        self.errors = list(errors)


def described(*codes: str) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI `responses` of a route: these problems, and those that every route may answer."""
    titles: dict[int, list[str]] = {}
    for code in (*codes, "request_invalid", "store_unavailable", "internal"):
        status, title = TABLE[code]
        if title not in titles.setdefault(status, []):
            titles[status].append(title)
    schema = {"$ref": "#/components/schemas/Problem"}
    return {
        status: {"description": "; ".join(words), "content": {MEDIA_TYPE: {"schema": schema}}}
        for status, words in sorted(titles.items())
    }


def _respond(
    request: Request,
    code: str,
    detail: str,
    errors: Sequence[tuple[str, str]] = (),
    headers: dict[str, str] | None = None,
) -> JSONResponse:
    status, title = TABLE[code]
    problem = Problem(
        type=f"/problems/{code}",
        title=title,
        status=status,
        detail=detail,
        instance=request.url.path,
        code=code,
        errors=[Fault(place=place, detail=text) for place, text in errors],
    )
    return JSONResponse(problem.model_dump(), status, headers, media_type=MEDIA_TYPE)


async def _on_error(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, ZoneledgerError)
    if error.code not in TABLE:
        return await _on_failure(request, error)
    headers = {"Retry-After": str(RETRY_AFTER_S)} if error.code == "store_unavailable" else None
    if isinstance(error, PlantInvalid):
        detail = f"{len(error.errors)} places of the plant model should be mended; nothing was changed."
        return _respond(request, error.code, detail, error.errors)
    return _respond(request, error.code, str(error), getattr(error, "errors", ()), headers)


async def _on_http_error(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    headers = dict(error.headers or {})
    if error.status_code == 405:
        allowed = headers.get("Allow") or headers.get("allow") or "another method"
        return _respond(request, "method_not_allowed", f"{request.url.path} takes {allowed}.", headers=headers)
    if error.status_code == 404:
        detail = "See /openapi.json for what there is; the resources begin with /v1/ and /health/."
        return _respond(request, "route_unknown", detail)
    code = "body_invalid" if error.status_code == 400 else "internal"
    return _respond(request, code, HTTPStatus(TABLE[code][0]).phrase)


def _place(location: Sequence[Any]) -> str:
    return "/".join(str(step)[:100] for step in location)


async def _on_invalid(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    errors = [(_place(one["loc"]), str(one["msg"])) for one in error.errors()]
    detail = "; ".join(f"{place}: {text}" for place, text in errors[:5])
    return _respond(request, "request_invalid", detail, errors)


async def _on_failure(request: Request, error: Exception) -> JSONResponse:
    log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    return _respond(request, "internal", "The service failed on this request; its log says why.")


def install(app: FastAPI) -> None:
    """Let every error of an application be a problem."""
    app.add_exception_handler(ZoneledgerError, _on_error)
    app.add_exception_handler(HTTPException, _on_http_error)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(Exception, _on_failure)
