"""A long table is sent in bounded memory, leaves room for messages, and is never taken for the whole where it is not."""

import asyncio
import gc
import json
import socket
import tracemalloc
from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import httpx
import pytest

from tests.integration.api.plant import BEGIN, CELL, NOW_US, PLANT
from tests.integration.api.problem import problem
from tests.integration.api.server import served_here
from tests.integration.mqtt.parts import until
from zoneledger.api.aside import Aside
from zoneledger.api.exporting import AT_ONCE, Export, Sending
from zoneledger.api.table_formats import Format
from zoneledger.application.intake import Delivery
from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import Basis, Stamp
from zoneledger.application.tables.asking import TABLES, parts_of
from zoneledger.application.tables.columns import Source
from zoneledger.application.windows import Asked
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service, build_service
from zoneledger.core.errors import StoreUnavailable
from zoneledger.plant_document import canonical_json, read_json
from zoneledger.storage.schema import migrate

FASTENERS = 32_000
BEGIN_US = round(BEGIN.timestamp() * 1e6)


def _at(seq: int) -> str:
    return (BEGIN + timedelta(seconds=seq / 2)).isoformat().replace("+00:00", "Z")


def _payload(first: int, number: int) -> bytes:
    """A thousand fasteners, one each half a second from 06:00 on."""
    fields = (
        '"v":1,"boot":1,"type":"fastener","zone":"1","operation":"fasten","result":"good","item":"lb-8","panel":"P-%d"'
    )
    each = [
        "{" + fields % (seq // 500) + f',"position":"r-{seq}","seq":{seq},"at":"{_at(seq)}"' + "}"
        for seq in range(first, first + number)
    ]
    return f"[{','.join(each)}]".encode()


async def _fill(url: str) -> None:
    await migrate(url)
    service = build_service(url, clock=lambda: NOW_US)
    await service.plants.declare(service.store, canonical_json(read_json(json.dumps(PLANT))), NOW_US)
    recording = asyncio.create_task(service.recorder.run())
    snapshot = (
        b'{"v":1,"boot":1,"seq":0,"at":"2026-03-02T06:00:00Z","type":"snapshot","zones":{"1":{},"2":{}},"alarms":[]}'
    )
    await service.recorder.record(Delivery(CELL, snapshot, "test"))
    for first in range(1, FASTENERS, 500):
        receipt = await service.recorder.record(Delivery(CELL, _payload(first, 500), "test"))
        assert receipt.stored == 500
    recording.cancel()
    await asyncio.wait([recording])
    await service.store.close()


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A database with many fasteners of one cell."""
    url = f"sqlite:///{tmp_path_factory.mktemp('long') / 'zoneledger.db'}"
    asyncio.run(_fill(url))
    return url


@pytest.fixture
async def service(url: str) -> AsyncIterator[Service]:
    service = build_service(url, clock=lambda: NOW_US)
    yield service
    await service.store.close()
    await service.aside.close()


async def _export(service: Service, form: Format, seconds: int, path: Path) -> int:
    """Write the fasteners of so many seconds into a file; return the most memory that took."""

    async def open_source(service: Service) -> Source:
        async with service.store.reading() as reading:
            declared = await service.plants.present(reading)
        asked = Asked(BEGIN_US, BEGIN_US + seconds * 1_000_000)
        parts = parts_of(TABLES["fasteners"], declared, declared.plant.find(CELL), asked, NOW_US)
        return Source(service.store, declared, parts, False, NOW_US, service.limits)

    export = Export(TABLES["fasteners"], form, open_source)
    gc.collect()
    tracemalloc.start()
    try:
        with path.open("wb") as file:
            while not export.ended:
                file.write(await export.next(service))
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
async def test_a_table_takes_as_much_memory_however_long_it_is(service: Service, form: Format, tmp_path: Path) -> None:
    await _export(service, form, 10, tmp_path / "first")  # what is made once and kept
    short = await _export(service, form, FASTENERS // 8, tmp_path / "short")
    most = await _export(service, form, FASTENERS, tmp_path / "long")
    assert most < 1.3 * short + 500_000, (short, most)  # four times the rows
    source = {"csv": "read_csv", "jsonl": "read_json_auto", "parquet": "read_parquet"}[form]
    with duckdb.connect() as database:
        query = f"SELECT count(*), count(DISTINCT seq), max(seq) FROM {source}('{tmp_path / 'long'}')"
        assert database.execute(query).fetchall() == [(FASTENERS, FASTENERS, FASTENERS)]


class _Failing:
    """A store that answers only so often."""

    def __init__(self, store: Store, times: int) -> None:
        self._store = store
        self._left = times

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        self._left -= 1
        return self._store.reading() if self._left >= 0 else self._away()

    @asynccontextmanager
    async def _away(self) -> AsyncIterator[Any]:
        raise StoreUnavailable("the database does not answer")
        yield

    def writing(self) -> Any:
        return self._store.writing()

    async def stamp(self, basis: Basis) -> Stamp:
        return await self._store.stamp(basis)

    async def close(self) -> None:
        await self._store.close()


async def _read_into(came: bytearray, client: httpx.AsyncClient, query: dict[str, str]) -> None:
    async with client.stream("GET", "/v1/tables/fasteners", params=query) as answer:
        assert answer.status_code == 200
        async for chunk in answer.aiter_bytes():
            came += chunk


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
async def test_what_breaks_in_the_middle_breaks_the_connection(url: str, form: Format, tmp_path: Path) -> None:
    service = build_service(url, clock=lambda: NOW_US)
    app = create_app(replace(service, aside=_Failing(service.aside, 5)))
    query = {"unit": CELL, "day": "2026-03-02", "format": form}
    came = bytearray()
    async with served_here(app) as address, httpx.AsyncClient(base_url=address) as client:
        with pytest.raises(httpx.RemoteProtocolError, match="without sending complete message body"):
            await _read_into(came, client, query)
        if form == "parquet":
            (tmp_path / "part").write_bytes(came)
            with duckdb.connect() as database, pytest.raises(duckdb.Error):
                database.execute(f"SELECT * FROM read_parquet('{tmp_path / 'part'}')")
        problem(await client.get("/v1/tables/fasteners", params=query), "store_unavailable")  # before its begin


def _holding_little(address: str) -> httpx.AsyncClient:
    """Return a client whose computer holds next to nothing of what it has not read, so that a table waits for its reader."""
    transport = httpx.AsyncHTTPTransport(socket_options=[(socket.SOL_SOCKET, socket.SO_RCVBUF, 2**16)])
    return httpx.AsyncClient(base_url=address, timeout=60, transport=transport)


async def test_messages_are_taken_in_while_tables_are_sent_and_only_so_many_are_at_once(url: str) -> None:
    app = create_app(build_service(url, clock=lambda: NOW_US))
    rows = FASTENERS // 2
    query = {"start": "2026-03-02T06:00:00Z", "end": _at(rows + 1), "unit": CELL, "format": "jsonl"}
    async with (
        served_here(app) as address,
        _holding_little(address) as client,
        AsyncExitStack() as stack,
    ):
        streams = [
            await stack.enter_async_context(client.stream("GET", "/v1/tables/fasteners", params=query))
            for _ in range(AT_ONCE)
        ]
        problem(await client.get("/v1/tables/fasteners", params=query), "busy")
        reading = [asyncio.create_task(stream.aread()) for stream in streams]
        took_s = []
        while not all(task.done() for task in reading):
            began_s = asyncio.get_running_loop().time()
            answer = await client.post("/v1/messages", json={"cell": CELL, "messages": []})
            assert answer.status_code == 200
            took_s.append(asyncio.get_running_loop().time() - began_s)
        texts = {bytes(task.result()) for task in reading}
        assert [text.count(b"\n") for text in texts] == [rows]
        assert sorted(took_s)[len(took_s) // 2] < 0.5
        assert (await client.get("/v1/tables/gaps", params={"unit": CELL})).status_code == 200


async def test_a_client_that_reads_nothing_loses_its_place(url: str) -> None:
    service = build_service(url, clock=lambda: NOW_US)
    aside = Aside(service)
    app = create_app(service, aside=aside)
    app.state.sending = Sending(aside, slowest_s=0.2)
    query = {"day": "2026-03-02", "unit": CELL, "format": "jsonl"}
    async with (
        served_here(app) as address,
        _holding_little(address) as client,
        client.stream("GET", "/v1/tables/fasteners", params=query) as answer,
    ):
        await until(lambda: app.state.sending.open == 0, "the place")
        with pytest.raises(httpx.RemoteProtocolError):
            await answer.aread()


async def test_a_client_that_goes_away_gives_its_place_back(url: str) -> None:
    app = create_app(build_service(url, clock=lambda: NOW_US))
    query = {"day": "2026-03-02", "unit": CELL}
    async with served_here(app) as address, httpx.AsyncClient(base_url=address, timeout=60) as client:
        for _ in range(2 * AT_ONCE):
            async with client.stream("GET", "/v1/tables/fasteners", params=query):
                pass
        await until(lambda: app.state.sending.open == 0, "the places")
        assert (await client.get("/v1/tables/gaps", params={"unit": CELL})).status_code == 200
