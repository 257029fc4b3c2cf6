"""The application: the REST API on a service, with all that has to run beside it."""

import asyncio
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

from fastapi import FastAPI

from zoneledger.api.aside import Aside
from zoneledger.api.door import Door
from zoneledger.api.exporting import Sending
from zoneledger.api.openapi import build_api
from zoneledger.api.streams import Streams
from zoneledger.api.times import rfc3339
from zoneledger.application.audit import PLANT
from zoneledger.application.updates import Update
from zoneledger.application.wellness import MEND_DATABASE, Ailment
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.callers import Caller
from zoneledger.core.errors import PlantInvalid, SchemaMismatch
from zoneledger.identity import TokenRules
from zoneledger.plant_document import canonical_json, read_json, read_yaml
from zoneledger.settings import Settings, listed, setting
from zoneledger.storage.engines import check_there, naming
from zoneledger.storage.schema import migrate

log = logging.getLogger(__name__)

WORK_ENDED = Ailment(
    "a work beside the serving has ended, which the log tells of as critical", "keep the log, and restart the service"
)

#: Who declares the plant model of a file, as the audit log names it.
AT_START = Caller("start of the service", frozenset(), (), "open")

Background = Callable[[], Awaitable[None]]
Hear = Callable[[Sequence[Update]], None]


async def open_service(settings: Settings) -> Service:
    """Return the service on a database brought to this program's schema, with the plant file applied if one is set.

    The file is read before the database is touched. A service that only reads changes nothing, so the schema has to be right.
    Raises SchemaMismatch, StoreUnavailable, PlantInvalid, ValueError where a file has no keys for tokens, or OSError where the
    plant file cannot be read.
    """
    plant = None if settings.plant is None else read_plant(settings.plant)
    tokens = _token_rules(settings)
    if settings.reads_only:
        check_there(settings.database_url)
    else:
        await migrate(settings.database_url)
    service = build_service(
        settings.database_url, reads_only=settings.reads_only, authenticate=settings.authenticate, tokens=tokens
    )
    try:
        if settings.reads_only:
            with naming(settings.database_url):
                await check_schema(
                    service,
                    "a process that only reads changes nothing: start one of the same version that takes messages in",
                )
        if settings.plant is not None and plant is not None:
            await _apply_plant(service, settings.plant.name, plant)
        if settings.authenticate and tokens is None:
            await _tell_without_keys(service)
    except BaseException:
        await service.store.close()
        raise
    return service


async def check_schema(service: Service, why: str) -> None:
    """Raise SchemaMismatch, which says why it stays so, where a database has not the schema of this version."""
    if await service.checks["database"]() is not None:
        raise SchemaMismatch(f"The database does not have the schema of this version, and {why}.")


def _token_rules(settings: Settings) -> TokenRules | None:
    """Return whose tokens are taken, None without an issuer; raise ValueError where a file has no keys that may check them."""
    issuer, audience, keys = settings.token_issuer, settings.token_audience, settings.token_keys
    if issuer is None or audience is None or keys is None:
        return None
    rules = TokenRules(issuer, audience, keys, tuple(listed(settings.token_algorithms)))
    if "://" not in keys:
        try:
            rules.check_file()
        except (OSError, ValueError) as error:
            raise ValueError(f"{setting('token_keys')}: {keys} has no keys to check tokens with: {error}") from None
    return rules


async def _tell_without_keys(service: Service) -> None:
    """Tell in the log where nobody can be let in."""
    async with service.store.reading() as reading:
        keys = await reading.keys("key")
    if not any(row.revoked_us is None and row.expires_us > service.now_us() for row in keys):
        log.warning("nobody is let in, as there is no key yet: zoneledger key create NAME --scope admin makes one")


def read_plant(path: Path) -> str:
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
    if former.version != declared.version:
        await service.callers.note(PLANT, AT_START, "", f"version {declared.version} from {name}")
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
    door: Door | None = None,
) -> FastAPI:
    """Return the application; while it runs, so do the recorder, what `background` begins, and what live streams tell.

    What they tell `hear` is told, too, before them. `aside` works on the same service, for whoever else wants it. `door` is what
    requests come in by, on this machine and without TLS unless told.

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
    works: list[Background] = [service.recorder.run, service.lateness.run, service.callers.run, telling, *background]

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        tasks = [asyncio.ensure_future(work()) for work in works]

        async def takes_in() -> Ailment | None:
            if any(task.done() for task in tasks):
                return WORK_ENDED
            return None if service.reads_only else _outage_of(service)

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
    app.state.door = Door(service.callers) if door is None else door
    app.state.aside = aside
    app.state.sending = Sending(aside)
    app.state.streams = streams
    return app


def _outage_of(service: Service) -> Ailment | None:
    """Return why nothing is taken in, None where the store takes it."""
    outage = service.recorder.outage
    return None if outage is None else Ailment(f"what was delivered last could not be kept: {outage}", MEND_DATABASE)


def _log_end(task: "asyncio.Future[None]") -> None:
    if not task.cancelled():
        log.critical("what takes messages in has ended; restart the service", exc_info=task.exception())
