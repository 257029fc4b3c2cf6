"""The service, and the bare route that it is measured beside, each in a process of its own."""

import multiprocessing
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI
from pydantic import BaseModel
from sqlalchemy import text
from sqlalchemy.ext.asyncio import create_async_engine

from benchmarks.year import NOW_US
from tests.servers.programs import accepts_connections, free_port, wait_until
from zoneledger.api import kept
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.storage.engines import driver_url
from zoneledger_cli.memory import spare_the_collector


class Row(BaseModel):
    """A span, as the bare route answers it."""

    zone: str
    start_us: int
    end_us: int
    state: str
    reason: str | None


def bare_app(database_url: str) -> FastAPI:
    """Return a route that answers one indexed query of 20 rows through a response model, and nothing else."""
    app, engine = FastAPI(), create_async_engine(driver_url(database_url))
    query = text(
        "SELECT zone, start_us, end_us, state, reason FROM spans "
        "WHERE ledger_id = :ledger AND zone = '1' AND start_us >= :since ORDER BY start_us LIMIT 20"
    )

    @app.get("/rows/{ledger}")
    async def rows(ledger: int, since: int) -> list[Row]:
        async with engine.connect() as connection:
            found = await connection.execute(query, {"ledger": ledger, "since": since})
            return [Row(**row._mapping) for row in found]

    return app


def _serve(which: str, database_url: str, port: int) -> None:
    """Serve in a process of its own: `bare`, or the service, which as `computed` keeps no answers."""
    if which == "computed":
        kept.MOST_BYTES = 0
    app = bare_app(database_url) if which == "bare" else create_app(build_service(database_url, clock=lambda: NOW_US))
    spare_the_collector()
    uvicorn.Server(uvicorn.Config(app, port=port, log_level="warning", access_log=False)).run()


@contextmanager
def serving(which: str, database_url: str) -> Iterator[int]:
    """Yield the port of a server."""
    port = free_port()
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(which, database_url, port))
    process.start()
    try:
        wait_until(lambda: accepts_connections(port), f"{which} on port {port}", 60)
        yield port
    finally:
        process.terminate()
        process.join()
