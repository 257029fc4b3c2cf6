"""The application: the REST API on a service, with all that has to run beside it."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

from fastapi import FastAPI

from zoneledger.api.aside import Aside
from zoneledger.api.exporting import Sending
from zoneledger.api.openapi import build_api
from zoneledger.api.streams import Streams
from zoneledger.api.times import rfc3339
from zoneledger.application.updates import Update
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.errors import PlantInvalid, SchemaMismatch
from zoneledger.plant_document import canonical_json, read_json, read_yaml
from zoneledger.settings import Settings
from zoneledger.storage.engines import check_there, naming
from zoneledger.storage.schema import migrate

log = logging.getLogger(__name__)

Background = Callable[[], Awaitable[None]]
Hear = Callable[[Sequence[Update]], None]


async def open_service(settings: Settings) -> Service:
    """Return the service on a database brought to this program's schema, with the plant file applied if one is set.

    The file is read before the database is touched. A service that only reads changes nothing, so the schema has to be right.
    Raises SchemaMismatch, StoreUnavailable, PlantInvalid, or OSError where the plant file cannot be read.
    """
    plant = None if settings.plant is None else _read_plant(settings.plant)
    if settings.reads_only:
        check_there(settings.database_url)
    else:
        await migrate(settings.database_url)
    service = build_service(settings.database_url, reads_only=settings.reads_only)
    try:
        if settings.reads_only:
            with naming(settings.database_url):
                await _check_schema(service)
        if settings.plant is not None and plant is not None:
            await _apply_plant(service, settings.plant.name, plant)
    except BaseException:
        await service.store.close()
        raise
    return service


async def _check_schema(service: Service) -> None:
    if not await service.checks["database"]():
        raise SchemaMismatch(
            "The database does not have the schema of this version, and a process that only reads changes nothing: "
            "start one of the same version that takes messages in."
        )


def _read_plant(path: Path) -> str:
    """Return the document of a plant file; raise PlantInvalid, or OSError with one sentence."""
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        raise FileNotFoundError(f"there is no plant file {path}") from None
    except OSError as error:
        raise OSError(f"the plant file {path} cannot be read: {error.strerror or error}") from None
    if path.suffix != ".json":
        return canonical_json(read_yaml(text, path.name))
    try:
        return canonical_json(read_json(text))
    except PlantInvalid as error:
        raise PlantInvalid([(f"{path.name} {place}", fault) for place, fault in error.errors]) from None


async def _apply_plant(service: Service, name: str, document: str) -> None:
    """Declare a plant file's document, and tell in the log where it replaces another one: what was declared by the API, too."""
    async with service.store.reading() as reading:
        former = await service.plants.present(reading)
    declared = await service.plants.declare(service.store, document, service.now_us())
    if former.version not in (0, declared.version):
        log.warning(
            "the plant in the database (version %d, declared at %s) differed from %s, and the file has replaced it as version %d; "
            "GET /v1/plant?version=%d answers the former one",
            former.version,
            rfc3339(former.applied_us),
            name,
            declared.version,
            former.version,
        )


def create_app(
    service: Service,
    background: Sequence[Background] = (),
    streams: Streams | None = None,
    aside: Aside | None = None,
    hear: Hear | None = None,
) -> FastAPI:
    """Return the application; while it runs, so do the recorder, what `background` begins, and what live streams tell.

    What they tell `hear` is told, too, before them. `aside` works on the same service, for whoever else wants it.

    If one of them ends by itself, the service is not ready any more: it says so and logs why. It is not ready either
    while the store takes nothing in.
    """

    streams = Streams() if streams is None else streams
    aside = Aside(service) if aside is None else aside

    async def tell(updates: Sequence[Update]) -> float:
        if hear is not None:
            hear(updates)
        return await streams.tell(updates)

    telling = partial(service.live.run, tell)
    works: list[Background] = [service.recorder.run, service.lateness.run, telling, *background]

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        tasks = [asyncio.ensure_future(work()) for work in works]

        async def takes_in() -> bool:
            return (service.recorder.writes or service.reads_only) and not any(task.done() for task in tasks)

        service.checks["recorder"] = takes_in
        for task in tasks:
            task.add_done_callback(_log_end)
        try:
            yield
        finally:
            streams.end()
            # Those that hand messages in stop before the recorder, which has begun first.
            for task in reversed(tasks):
                task.cancel()
                await asyncio.wait([task])
            await aside.stop()
            await service.store.close()

    app = build_api(lifespan)
    app.state.service = service
    app.state.aside = aside
    app.state.sending = Sending(aside)
    app.state.streams = streams
    return app


def _log_end(task: "asyncio.Future[None]") -> None:
    if not task.cancelled():
        log.critical("what takes messages in has ended; restart the service", exc_info=task.exception())
