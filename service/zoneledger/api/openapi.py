"""The calls of the REST API put together, and their OpenAPI document: `python -m zoneledger.api.openapi > docs/openapi.json`."""

import asyncio
import json
import sys
from typing import Any

from fastapi import Depends, FastAPI, Response
from fastapi.openapi.utils import get_openapi
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
#: FastAPI declares its own answer to a bad parameter; ours are problems.
FOREIGN = ("HTTPValidationError", "ValidationError")

DESCRIPTION = (
    "Every second of every shift, on every work zone, is booked once, to one state, for one reason, with the evidence kept; "
    "OEE, fasteners per hour and zone utilisation are read off that ledger. Ratios are 0 to 1, times RFC 3339, durations "
    "seconds, windows half-open [start, end). Errors are problems (RFC 9457). The service informs: it is no safety function "
    "and never commands a machine."
)


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
        generate_unique_id_function=lambda route: (
            route.name
        ),  # short and stable: clients are generated with these names
        dependencies=[Depends(check_query)],
    )
    for route in ROUTES:
        app.include_router(route.router)
    problems.install(app)
    turns.install(app)
    kept.install(app)
    plant.install(app)
    units.install(app)
    metrics.install(app)
    contract_documents.install(app)
    app.openapi = lambda: document_of(app)  # type: ignore[method-assign]

    @app.get("/openapi.json", include_in_schema=False)
    async def get_document() -> Response:
        return Response(await asyncio.to_thread(lambda: json.dumps(document_of(app))), media_type="application/json")

    return app


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
