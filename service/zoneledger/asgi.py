"""The application: the REST API on a service, with all that has to run beside it."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from zoneledger.api import problems
from zoneledger.api.routes import evidence, health, kpi, messages, plant, shifts, timeline, units
from zoneledger.bootstrap import Service, build_service
from zoneledger.plant_document import canonical_json, read_json, read_yaml
from zoneledger.settings import Settings
from zoneledger.storage.schema import migrate

log = logging.getLogger(__name__)

Background = Callable[[], Awaitable[None]]
ROUTES = (plant, messages, units, timeline, kpi, shifts, evidence, health)

DESCRIPTION = (
    "Every second of every shift, on every work zone, is booked once, to one state, for one reason, with the evidence kept; "
    "OEE, fasteners per hour and zone utilisation are read off that ledger. Ratios are 0 to 1, times RFC 3339, durations "
    "seconds, windows half-open [start, end). Errors are problems (RFC 9457). The service informs: it is no safety function "
    "and never commands a machine."
)


async def open_service(settings: Settings) -> Service:
    """Return the service on a database brought to this program's schema, with the plant file applied if one is set.

    Raises SchemaMismatch, StoreUnavailable, PlantInvalid, or OSError where the plant file cannot be read.
    """
    await migrate(settings.database_url)
    service = build_service(settings.database_url)
    if settings.plant is not None:
        text = settings.plant.read_bytes()
        document = read_json(text) if settings.plant.suffix == ".json" else read_yaml(text)
        await service.plants.declare(service.store, canonical_json(document), service.now_us())
    return service


def _document(app: FastAPI) -> dict[str, Any]:
    if app.openapi_schema is None:
        found = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
        schemas = found.setdefault("components", {}).setdefault("schemas", {})
        schemas |= plant.DEFINITIONS | {
            "Problem": problems.Problem.model_json_schema(ref_template="#/components/schemas/{model}")
        }
        schemas |= schemas["Problem"].pop("$defs")
        for path in found["paths"].values():
            for operation in path.values():
                operation["responses"] |= _validation_as_problem(operation["responses"])
        schemas.pop("HTTPValidationError", None)
        schemas.pop("ValidationError", None)
        app.openapi_schema = found
    return app.openapi_schema


def _validation_as_problem(responses: dict[str, Any]) -> dict[str, Any]:
    content = responses.get("422", {}).get("content", {})
    if "application/json" not in content:
        return {}
    return {"422": {**responses["422"], "content": {k: v for k, v in content.items() if k != "application/json"}}}


def create_app(service: Service, background: Sequence[Background] = ()) -> FastAPI:
    """Return the application; while it runs, so do the recorder and what `background` begins.

    If one of them ends by itself, the service is not ready any more: it says so and logs why.
    """

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        tasks = [asyncio.ensure_future(work()) for work in (service.recorder.run, *background)]

        async def all_run() -> bool:
            return not any(task.done() for task in tasks)

        service.checks["recorder"] = all_run
        for task in tasks:
            task.add_done_callback(_log_end)
        try:
            yield
        finally:
            for task in reversed(tasks):
                task.cancel()
                await asyncio.wait([task])
            await service.store.close()

    app = FastAPI(title="Zoneledger", version="1", description=DESCRIPTION, lifespan=lifespan, redoc_url=None)
    app.state.service = service
    for route in ROUTES:
        app.include_router(route.router)
    problems.install(app)
    app.openapi = lambda: _document(app)  # type: ignore[method-assign]
    return app


def _log_end(task: "asyncio.Future[None]") -> None:
    if not task.cancelled() and task.exception() is not None:
        log.critical("what takes messages in has ended; restart the service", exc_info=task.exception())
