"""The service that a command works with on the database itself, without one that listens."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from zoneledger.asgi import check_schema
from zoneledger.bootstrap import Service, build_service
from zoneledger.storage.engines import check_there, naming


@asynccontextmanager
async def opened(database_url: str) -> AsyncIterator[Service]:
    """Give a service on a database that is there, and has this program's schema: another one may belong to a service that runs.

    Raises StoreUnavailable where it is not there, and SchemaMismatch where its schema is another one.
    """
    check_there(database_url)
    service = build_service(database_url)
    try:
        with naming(database_url):
            await check_schema(
                service, "this command leaves it so: run zoneledger migrate once no other version serves"
            )
        yield service
    finally:
        await service.store.close()
