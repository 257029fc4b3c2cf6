"""Problems (RFC 9457): every error that the API answers, made in one place from one table."""

import json
import logging
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from zoneledger.api.guard import Entrance
from zoneledger.api.near import LONGEST_NAME, methods_at, paths_near
from zoneledger.core.errors import PlantInvalid, UnitUnknown, ZoneledgerError
from zoneledger.core.plant import PATH_STEP_PATTERN
from zoneledger.wording import counted, first_of, printable, words_of

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
TYPE_PREFIX = "urn:zoneledger:problem:"
RETRY_AFTER_S = 2
#: A text that may be anything but control characters, and what is said of one that does not match a pattern.
NO_CONTROLS = r"^[^\x00-\x1f\x7f-\x9f]*$"
_PATTERNS = {
    PATH_STEP_PATTERN: "should be 1 to 40 of a-z, 0-9 and -",
    NO_CONTROLS: "should be text without control characters",
}
#: So many units are named to whoever asked for one that there is not.
MOST_NAMED = 10
#: Of what is wrong with a request so many places are told: a query may have thousands.
MOST_FAULTS = 20

#: What each error of the service is to HTTP: its status and title.
TABLE: dict[str, tuple[int, str]] = {
    "plant_invalid": (422, "The plant model is not valid"),
    "unit_unknown": (404, "There is no such unit"),
    "shift_unknown": (404, "There is no such shift"),
    "version_unknown": (404, "There is no such version"),
    "window_invalid": (422, "The window is not valid"),
    "level_wrong": (422, "The unit is of another level"),
    "reason_unknown": (422, "The site declares no such reason"),
    "role_unknown": (422, "The site declares no such role"),
    "entry_unknown": (404, "There is no such entry"),
    "already_undone": (409, "The entry is undone already"),
    "request_invalid": (422, "The request is not valid"),
    "not_authenticated": (401, "Who calls is not known"),
    "not_allowed": (403, "The caller may not do this"),
    "too_often": (429, "Too much is asked at a time"),
    "query_not_utf8": (400, "The query string cannot be read"),
    "body_invalid": (400, "The body cannot be read"),
    "body_too_slow": (408, "The body comes too slowly"),
    "body_too_large": (413, "The body is too large"),
    "media_type": (415, "The body's media type is not taken"),
    "route_unknown": (404, "There is no such resource"),
    "method_not_allowed": (405, "The resource does not take this method"),
    "proof_unknown": (404, "There is no such acceptance run"),
    "proof_not_over": (409, "The acceptance run is not over or not frozen"),
    "store_unavailable": (503, "The database does not answer"),
    "schema_mismatch": (503, "The database's schema is another version's"),
    "busy": (503, "The service has too much to answer"),
    "not_ready": (503, "The service is not ready"),
    "internal": (500, "The service failed"),
}


class Fault(BaseModel):
    """One place of the request and what would be right there."""

    place: str = Field(
        description="The parameter, the place in the body (of YAML with its line), or the check that fails",
        examples=["query/end"],
    )
    detail: str = Field(description="What would be right", examples=["must be given"])


class Problem(BaseModel):
    """An error as RFC 9457 gives it, with a code for programs."""

    type: str = Field(description="A URI that names the kind of problem", examples=[TYPE_PREFIX + "unit_unknown"])
    title: str = Field(description="The kind of problem in words", examples=["There is no such unit"])
    status: int = Field(description="The HTTP status", examples=[404])
    detail: str = Field(
        description="This problem in a sentence that says what would be right",
        examples=["The plant model has no unit harbour/wing-9. There are: harbour/wing-1."],
    )
    instance: str = Field(description="The path that was asked for", examples=["/v1/kpi/harbour"])
    code: str = Field(description="The kind of problem for programs", examples=["unit_unknown"])
    errors: list[Fault] = Field(description="Each place that is wrong, where places can be told")


class ApiError(ZoneledgerError):
    """An error that only HTTP knows; `code` is one of TABLE."""

    def __init__(self, code: str, detail: str, errors: Sequence[tuple[str, str]] = ()) -> None:
        super().__init__(detail)
        self.code = code
        self.errors = list(errors)


class UnitNotThere(UnitUnknown):
    """No unit has this path; of those that there are around it, the answer names what its caller reaches."""

    def __init__(self, message: str, around: Sequence[str]) -> None:
        super().__init__(message)
        self.around = around


def described(*codes: str) -> dict[int | str, dict[str, Any]]:
    """Return the OpenAPI `responses` of a route: these problems, and those that every route may answer."""
    told: dict[int, list[str]] = {}
    for code in dict.fromkeys((*codes, "query_not_utf8", "request_invalid", "store_unavailable", "internal")):
        status, title = TABLE[code]
        told.setdefault(status, []).append(f"`{code}`: {title}")
    return {status: declared(status, "; ".join(words)) for status, words in sorted(told.items())}


def declared(status: int, description: str) -> dict[str, Any]:
    """Return what OpenAPI is told of a problem with this status."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    told: dict[str, Any] = {"description": description, "content": content}
    if status in (429, 503):
        wait = {"type": "integer", "minimum": 1, "examples": [RETRY_AFTER_S]}
        told["headers"] = {"Retry-After": {"description": "seconds to wait before calling again", "schema": wait}}
    return told


def respond(
    request: Request,
    code: str,
    detail: str,
    errors: Sequence[tuple[str, str]] = (),
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return a problem as an answer."""
    status, title = TABLE[code]
    problem = Problem(
        type=TYPE_PREFIX + code,
        title=title,
        status=status,
        detail=detail,
        instance=quote(request.scope["path"][:500], errors="replace"),
        code=code,
        errors=[Fault.model_construct(place=place, detail=text) for place, text in errors],
    )
    own = {503: {"Retry-After": str(RETRY_AFTER_S)}, 408: {"Connection": "close"}}.get(status, {})
    # In ASCII: a caller's text, given back, may hold half a surrogate pair, which UTF-8 cannot.
    return Response(json.dumps(problem.model_dump()), status, {**own, **(headers or {})}, MEDIA_TYPE)


async def on_error(request: Request, error: Exception) -> Response:
    """Return what is answered to an error of the service."""
    assert isinstance(error, ZoneledgerError)
    if error.code not in TABLE:
        return await _on_failure(request, error)
    if isinstance(error, PlantInvalid):
        places = counted(len(error.errors), "place", "places")
        detail = f"{places} of the plant model should be mended; nothing was changed."
        return respond(request, error.code, detail, error.errors)
    detail = _around(request, error) if isinstance(error, UnitNotThere) else str(error)
    return respond(request, error.code, detail, getattr(error, "errors", ()))


def _around(request: Request, error: UnitNotThere) -> str:
    """Return that there is no such unit, and of those that there are which ones its caller reaches."""
    entrance: Entrance = request.state.entrance
    names = first_of([path for path in error.around if entrance.caller.reaches(path)], MOST_NAMED)
    none = "none; declare the plant by PUT /v1/plant" if entrance.caller.units is None else "none that you reach"
    return f"{error} There are: {names or none}."


async def on_http_error(request: Request, error: Exception) -> Response:
    """Return what is answered where there is no such path, or it does not take the method."""
    assert isinstance(error, HTTPException)
    if error.status_code == 405:
        allowed = ", ".join(methods_at(request))
        return respond(request, "method_not_allowed", f"This path takes {allowed}.", headers={"Allow": allowed})
    if error.status_code == 404:
        near = " or ".join(paths_near(request))
        hint = f"Did you mean {near}? " if near else ""
        detail = f"{hint}Pages begin at /, the resources with /v1/ and /health/; see /openapi.json for what there is."
        return respond(request, "route_unknown", detail)
    return await _on_failure(request, error)


def _place(location: Sequence[Any]) -> str:
    return "/".join(printable(str(step), 100) for step in location)


def _parameters(request: Request) -> list[str]:
    """Return the names that the query string of the called route may hold."""
    route = request.scope.get("route")
    models = [one.field_info.annotation for one in route.dependant.query_params] if isinstance(route, APIRoute) else []
    return [
        name
        for model in models
        if isinstance(model, type) and issubclass(model, BaseModel)
        for name in model.model_fields
    ]


def _not_taken(name: str, taken: Sequence[str]) -> str:
    """Return what is said of a parameter that there is not, with the nearest of those that there are."""
    near = get_close_matches(name[:LONGEST_NAME], taken, 1)
    hint = f". Did you mean {near[0]}?" if near else "."
    return f"is not a parameter of this call{hint} There are: {', '.join(taken)}"


def _sentence(error: Mapping[str, Any], request: Request) -> str:
    if error["type"] == "extra_forbidden":
        place, name = error["loc"][0], str(error["loc"][-1])
        taken = _parameters(request) if place == "query" else []
        return _not_taken(name, taken) if taken else "is not a parameter of this call"
    if error["type"] == "missing":
        return "is missing"
    if error["type"] == "string_pattern_mismatch":
        return _PATTERNS[error["ctx"]["pattern"]]
    return words_of(error)


async def _on_invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors: dict[str, str] = {}
    for one in error.errors()[:MOST_FAULTS]:
        # Of an optional parameter the second fault is that it is not absent either.
        errors.setdefault(_place(one["loc"][:2]), _sentence(one, request))
    detail = "; ".join(f"{place}: {text}" for place, text in list(errors.items())[:5])
    return respond(request, "request_invalid", detail, list(errors.items()))


async def _on_disconnect(request: Request, _: Exception) -> Response:
    return respond(request, "body_invalid", "The connection ended before the body did.")


async def _on_failure(request: Request, error: Exception) -> Response:
    path = printable(request.scope["path"])
    told = {"method": request.method, "path": path}
    log.error("%s %s failed", request.method, path, exc_info=error, extra=told)
    return respond(request, "internal", "The service failed on this request; its log says why.")


def install(app: FastAPI, paths: Sequence[str]) -> None:
    """Let every error of an application be a problem; `paths` are those that it answers."""
    app.state.paths = paths
    app.add_exception_handler(ZoneledgerError, on_error)
    app.add_exception_handler(HTTPException, on_http_error)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(ClientDisconnect, _on_disconnect)
    app.add_exception_handler(Exception, _on_failure)
