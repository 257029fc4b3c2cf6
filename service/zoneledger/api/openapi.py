"""The calls of the REST API put together, and their OpenAPI document: `python -m zoneledger.api.openapi > docs/openapi.json`."""

import asyncio
import json
import sys
from functools import lru_cache
from typing import Any

from fastapi import APIRouter, Depends, FastAPI, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute
from starlette.types import Lifespan

from zoneledger.api import contract_documents, kept, problems, turns
from zoneledger.api.access import check_query
from zoneledger.api.routes import (
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
    health,
    metrics,
    pages,
)
router = APIRouter(include_in_schema=False)

#: FastAPI declares its own answer to a bad parameter; ours are problems.
FOREIGN = ("HTTPValidationError", "ValidationError")

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
    """Return all calls, put together once for however many applications there are: FastAPI takes 20 ms for that."""
    together = APIRouter(dependencies=[Depends(check_query)], generate_unique_id_function=_name)
    for one in _routers():
        together.include_router(one)
    return together.routes


def _name(route: APIRoute) -> str:
    """Return a short and stable id of a call: clients are generated with these names."""
    return route.name


def build_api(lifespan: Lifespan[FastAPI] | None = None) -> FastAPI:
    """Return the API; it answers once `state.service` is set."""
    app = FastAPI(
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
    problems.install(app, _paths())
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
        app.openapi_schema = found
    return app.openapi_schema


def text_of(document: dict[str, Any]) -> str:
    """Return a document as the text that is kept in docs/openapi.json."""
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    sys.stdout.write(text_of(document_of(build_api())))
