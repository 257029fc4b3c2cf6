"""The calls of the REST API put together, and their OpenAPI document: `python -m zoneledger.api.openapi > docs/openapi.json`."""

import asyncio
import json
import sys
from functools import lru_cache
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute, iter_route_contexts
from starlette.routing import BaseRoute
from starlette.types import ASGIApp, Lifespan

from zoneledger.api import contract_documents, kept, problems, refusing, turns
from zoneledger.api.access import check_query
from zoneledger.api.door import COOKIE, AtTheDoor, Door
from zoneledger.api.guard import TABLE, Guarded, Rule
from zoneledger.api.routes import (
    audit,
    commissioning,
    evidence,
    exports,
    failures,
    health,
    kpi,
    live,
    losses,
    messages,
    metrics,
    missing,
    pace,
    pages,
    panels,
    plant,
    proofs,
    prospects,
    rates,
    reasons,
    refused,
    revisions,
    session,
    sheet,
    shifts,
    tables,
    timeline,
    units,
)

ROUTES = (
    plant,
    messages,
    units,
    live,
    timeline,
    evidence,
    kpi,
    rates,
    pace,
    failures,
    losses,
    panels,
    proofs,
    prospects,
    sheet,
    shifts,
    reasons,
    revisions,
    missing,
    commissioning,
    refused,
    exports,
    tables,
    audit,
    health,
    metrics,
    session,
    pages,
)
router = APIRouter(include_in_schema=False, route_class=Guarded)

#: FastAPI declares its own answer to a bad parameter; ours are problems.
FOREIGN = ("HTTPValidationError", "ValidationError")

#: How a caller tells who they are, where that is asked.
SCHEMES = {
    "bearer": {
        "type": "http",
        "scheme": "bearer",
        "description": "A key, or a token of the issuer that the service trusts",
    },
    "session": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "The session of a person at the pages",
    },
}
#: What every call may answer that is not open to strangers.
REFUSALS = ("not_authenticated", "not_allowed", "too_often")

DESCRIPTION = (
    "Every second of every shift, on every work zone, is booked once, to one state, for one reason, with the evidence kept; "
    "OEE, fasteners per hour and zone utilisation are read off that ledger. Ratios are 0 to 1, times RFC 3339, durations "
    "seconds, windows half-open [start, end). Errors are problems (RFC 9457). The service informs: it is no safety function "
    "and never commands a machine."
)


def _routers() -> list[APIRouter]:
    """Return what holds the calls and pages, in the order in which a path is looked for."""
    return [*(module.router for module in (*ROUTES, contract_documents)), router]


@lru_cache(maxsize=1)
def _calls() -> list[BaseRoute]:
    """Return all calls, put together once for however many applications there are: FastAPI takes 20 ms for that.

    Raises TypeError where one of them does not look into the table of who may call it.
    """
    together = APIRouter(dependencies=[Depends(check_query)], generate_unique_id_function=_name)
    for one in _routers():
        together.include_router(one)
    open_to_all = [
        one.path for one in iter_route_contexts(together.routes) if not isinstance(one.original_route, Guarded)
    ]
    if open_to_all:
        raise TypeError(f"nothing guards {', '.join(map(str, open_to_all))}")
    return together.routes


class _Api(FastAPI):
    """An application with the door around all of it, what answers failures as well."""

    def build_middleware_stack(self) -> ASGIApp:
        return AtTheDoor(super().build_middleware_stack())


def _name(route: APIRoute) -> str:
    """Return a short and stable id of a call: clients are generated with these names."""
    return route.name


def build_api(lifespan: Lifespan[FastAPI] | None = None) -> FastAPI:
    """Return the API; it answers once `state.service` is set."""
    app = _Api(
        title="Zoneledger",
        version="1",
        description=DESCRIPTION,
        lifespan=lifespan,
        openapi_url=None,  # it is made in the event loop, and takes 0.2 s
        docs_url=None,  # its page loads scripts from the internet, which a plant network has not
        redoc_url=None,
        redirect_slashes=False,
        routes=_calls(),
    )
    app.state.door = Door()  # who serves puts one in its place that asks callers who they are
    problems.install(app, _paths())
    refusing.install(app)
    turns.install(app)
    kept.install(app)
    plant.install(app)
    units.install(app)
    metrics.install(app)
    app.openapi = lambda: document_of(app)  # type: ignore[method-assign]
    return app


def _paths() -> list[str]:
    """Return the paths of all calls and pages, as the document writes them."""
    return [route.path_format for one in _routers() for route in one.routes if isinstance(route, APIRoute)]


@router.get("/openapi.json")
async def get_document(request: Request) -> Response:
    """Serve the OpenAPI document, made in a thread."""
    return Response(
        await asyncio.to_thread(lambda: json.dumps(document_of(request.app))), media_type="application/json"
    )


def document_of(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document of the API, made once."""
    if app.openapi_schema is None:
        found = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        schemas = found.setdefault("components", {}).setdefault("schemas", {})
        problem = problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas |= plant.DEFINITIONS | problem.pop("$defs") | {"Problem": problem}
        for name in FOREIGN:
            schemas.pop(name, None)
        found["components"]["securitySchemes"] = SCHEMES
        for path, calls in found["paths"].items():
            for method, call in calls.items():
                _secure(call, TABLE[method.upper(), path])
        app.openapi_schema = found
    return app.openapi_schema


def _secure(call: dict[str, Any], rule: Rule) -> None:
    """Add to a call who may make it, and how it fails for others; where nobody is asked who they are, anybody may."""
    scopes = [] if rule.scope is None else [str(rule.scope)]
    call["security"] = [{}] if rule.is_open else [*({name: scopes} for name in SCHEMES), {}]
    if not rule.is_open:
        told = {problems.TABLE[code][0]: f"`{code}`: {problems.TABLE[code][1]}" for code in REFUSALS}
        call["responses"] |= {str(status): problems.declared(status, text) for status, text in told.items()}
        call["responses"] = dict(sorted(call["responses"].items()))


def text_of(document: dict[str, Any]) -> str:
    """Return a document as the text that is kept in docs/openapi.json."""
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text_of(document_of(build_api())))
