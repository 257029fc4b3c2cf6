"""GET /v1/live over a real server: it tells what changes, goes on where a client was, and bears slow and vanishing clients."""

import asyncio
import socket
import tracemalloc
from collections.abc import AsyncIterator
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.listening import DEADLINE_S, Listener, Told, listening
from tests.integration.api.plant import CELL, NOW_US, OTHER, PLANT, later, snapshot
from tests.integration.api.problem import problem
from tests.integration.api.server import served_here
from tests.integration.mqtt.parts import until
from zoneledger.api import streams as module
from zoneledger.api.streams import BEGINS, NOT_KEPT, TOO_SLOW, Streams
from zoneledger.application.units import Present
from zoneledger.application.updates import FiguresChanged, StateChanged
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.core.validation import parse_instant
from zoneledger.storage.schema import migrate

ZONE = f"{CELL}/1"
#: The service's clock: cells that sent something at half a minute are not silent yet.
MINUTE_US = parse_instant("now", later(0.9))
MANY = 40


def _app(database_url: str, most: int = 1000, now_us: int = MINUTE_US) -> FastAPI:
    return create_app(build_service(database_url, clock=lambda: now_us), streams=Streams(most))


@pytest.fixture
async def app(database_url: str) -> FastAPI:
    """The application on an empty database; its clock stands at 06:00:54."""
    return _app(database_url)


@pytest.fixture
async def address(app: FastAPI) -> AsyncIterator[str]:
    """The address of a server that knows the plant."""
    async with served_here(app) as address:
        await _declare(address)
        yield address


async def _declare(address: str) -> None:
    """Declare the plant, and wait until the streams have heard of it."""
    async with listening(address) as stream, httpx.AsyncClient(base_url=address) as client:
        assert (await client.put("/v1/plant", json=PLANT)).status_code == 200
        await stream.until("plant", plant_version=1)


async def _post(address: str, *messages: dict[str, Any], cell: str = CELL) -> None:
    async with httpx.AsyncClient(base_url=address, timeout=DEADLINE_S) as client:
        answer = await client.post("/v1/messages", json={"cell": cell, "messages": messages})
    assert answer.json()["refused"] == []


def _wait(seq: int, phase: str = "begin", **fields: Any) -> dict[str, Any]:
    """Return a wait for a panel, which makes a running zone idle, or its end."""
    told = {"type": "wait", "zone": "1", "phase": phase, "for": "panel"}
    return {"v": 1, "boot": 1, "seq": seq, "at": later(0.5 + seq / 1000)} | told | fields


def _running(seq: int = 0) -> dict[str, Any]:
    """Return a snapshot of a zone that runs."""
    return snapshot(0.5 + seq / 1000, seq=seq) | {"zones": {"1": {"activity": "process"}}}


async def _standings(address: str) -> dict[str, dict[str, Any]]:
    """Return the present state of the first cell and its zones by path, as /v1/units tells it."""
    async with httpx.AsyncClient(base_url=address) as client:
        cell = (await client.get("/v1/units")).json()["sites"][0]["lines"][0]["cells"][0]
    return {
        one["unit"]: {name: one[name] for name in ("unit", "state", "reason", "since")}
        for one in (cell, *cell["zones"])
    }


async def test_a_stream_begins_by_saying_that_units_are_to_be_read(address: str) -> None:
    async with listening(address) as stream:
        assert (await stream.next())[1:] == ("anew", {"detail": BEGINS})


async def test_what_messages_change_is_told_in_the_words_of_v1_units(address: str) -> None:
    async with listening(address) as stream:
        await stream.next()
        await _post(address, _running())
        told = {one.data["unit"]: one.data for one in [await stream.until("state"), await stream.until("state")]}
        assert told.keys() == {CELL, ZONE}
        assert told[ZONE] == {"unit": ZONE, "state": "running", "reason": "process", "since": later(0.5)}
        figures = await stream.until("figures")
        assert figures.data == {"unit": CELL, "last_message": later(0.5)}
        standings = await _standings(address)
        assert told == {unit: standings[unit] for unit in told}


async def test_a_client_goes_on_after_the_last_event_that_it_has(address: str) -> None:
    async with listening(address) as stream:
        await stream.next()
        await _post(address, _running())
        await stream.until("state", unit=ZONE, state="running")
    await _post(address, _wait(1))
    async with listening(address, stream.last_id) as again:
        told = await _until_idle(again)
    assert [one.name for one in told if one.name == "anew"] == []
    async with listening(address, told[-1].id) as once_more:
        await _post(address, _wait(2, "end"))
        assert (await once_more.until("state", unit=ZONE)).data["state"] == "running"


async def _until_idle(stream: Listener) -> list[Told]:
    told = [await stream.next()]
    while told[-1].data.get("unit") != ZONE or told[-1].data["state"] != "idle":
        told.append(await stream.next())
    return told


@pytest.mark.parametrize("last_id", ["0badcafe-3", "x", "-", "3"])
async def test_who_cannot_go_on_is_told_to_read_anew(address: str, last_id: str) -> None:
    async with listening(address, last_id) as stream:
        assert (await stream.next())[1:] == ("anew", {"detail": NOT_KEPT})


async def test_an_event_that_is_too_old_to_go_on_after_is_told(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "KEPT", 2)
    async with listening(address) as stream:
        await stream.next()
    told = ""
    async with asyncio.timeout(DEADLINE_S):  # what follows fast on each other is told as one
        for seq in count(0, 2):
            await _post(address, _running(seq), _wait(seq + 1))
            async with listening(address, stream.last_id) as again:
                if (told := (await again.next()).name) == "anew":
                    break
    assert told == "anew", "an old event is kept for ever"


async def test_a_stream_of_a_unit_tells_of_nothing_else(address: str) -> None:
    async with listening(address, unit=ZONE) as stream, listening(address, unit=OTHER) as other:
        for one in (stream, other):
            assert (await one.next()).name == "anew"
        await _post(address, _running())
        await _post(address, snapshot(0.5, "1"), cell=OTHER)
        assert (await stream.next()).data["unit"] == ZONE
        assert (await stream.next())[1:] == ("figures", {"unit": CELL, "last_message": later(0.5)})
        told = {(await other.next()).data["unit"] for _ in range(3)}
        assert told == {OTHER, f"{OTHER}/1"}


async def test_a_stream_of_an_unknown_unit_or_with_other_parameters_is_a_problem(address: str) -> None:
    async with listening(address, unit="bench/line-9") as stream:
        problem(stream.answer, "unit_unknown")
    async with listening(address, units=CELL) as stream:
        problem(stream.answer, "request_invalid")


async def test_no_more_streams_are_open_than_may_be_and_a_place_that_is_left_is_free(database_url: str) -> None:
    app = _app(database_url, most=2)
    async with served_here(app) as address:
        async with listening(address) as one, listening(address) as other:
            await one.next()
            await other.next()
            async with listening(address) as third:
                assert "2 live streams" in problem(third.answer, "busy")["detail"]
                assert int(third.answer.headers["retry-after"]) > 0
        await _until_open(app, 0)
        async with listening(address) as stream:
            assert (await stream.next()).name == "anew"


async def _until_open(app: FastAPI, number: int) -> None:
    await until(lambda: app.state.streams.open == number, f"{number} streams are open")


async def test_clients_that_vanish_leave_neither_places_nor_tasks_behind(app: FastAPI, address: str) -> None:
    await _until_open(app, 0)
    port = int(address.rpartition(":")[2])
    before = len(asyncio.all_tasks())
    for _ in range(3):
        connections = [await asyncio.open_connection("127.0.0.1", port) for _ in range(MANY)]
        for _, writer in connections:
            writer.write(b"GET /v1/live HTTP/1.1\r\nhost: test\r\n\r\n")
        await _until_open(app, MANY)
        for _, writer in connections:
            writer.transport.abort()
        await _post(address, _running())  # they are told of it while they vanish
        await _until_open(app, 0)
    await until(lambda: len(asyncio.all_tasks()) <= before, "no task is left")


async def test_a_client_that_reads_nothing_holds_little_and_is_told_once_it_reads(
    app: FastAPI, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is far more to tell than all buffers between hold; the others are told it meanwhile."""
    monkeypatch.setattr(module, "KEPT", 1000)
    streams: Streams = app.state.streams
    connection = socket.socket()
    connection.setblocking(False)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    await asyncio.get_running_loop().sock_connect(connection, ("127.0.0.1", int(address.rpartition(":")[2])))
    reader, writer = await asyncio.open_connection(sock=connection, limit=4096)
    writer.write(b"GET /v1/live HTTP/1.1\r\nhost: test\r\nconnection: close\r\n\r\n")
    await _until_open(app, 1)
    async with listening(address, unit=OTHER) as other:
        tracemalloc.start()
        for number in range(120):
            much = [StateChanged(CELL, Present("running", "process", NOW_US))] * 500
            await streams.tell([*much, FiguresChanged(OTHER, NOW_US + number)])
            await other.until("figures", unit=OTHER)
        held, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert held < 2_000_000
    await _until_told(reader, TOO_SLOW.encode())
    writer.transport.abort()
    await _until_open(app, 0)


async def _until_told(reader: asyncio.StreamReader, text: bytes) -> None:
    """Read on until a text has come."""
    read = b""
    async with asyncio.timeout(DEADLINE_S):
        while text not in read:
            read = read[-len(text) :] + await reader.read(65_536)
            assert not reader.at_eof()


async def test_a_change_that_another_process_commits_is_told(address: str, database_url: str) -> None:
    async with served_here(_app(database_url)) as elsewhere, listening(elsewhere) as stream:
        assert (await stream.next()).name == "anew"
        await _post(address, _running())
        await stream.until("state", unit=ZONE, state="running")
        await _post(elsewhere, _wait(1))
        await stream.until("state", unit=ZONE, state="idle")
    async with listening(address, stream.last_id) as here:
        assert (await here.next())[1:] == ("anew", {"detail": NOT_KEPT})


async def test_silence_is_told_though_nothing_comes(tmp_path: Path) -> None:
    url, now_us = f"sqlite:///{tmp_path / 'zoneledger.db'}", MINUTE_US
    await migrate(url)
    app = create_app(build_service(url, clock=lambda: now_us))
    async with served_here(app) as address:
        await _declare(address)
        async with listening(address) as stream:
            await _post(address, _running())
            await stream.until("state", unit=ZONE, state="running")
            now_us += 30_000_000
            silent = await stream.until("state", unit=ZONE, state="unknown")
            assert (silent.data["reason"], silent.data["since"]) == ("silence", later(1))


async def test_streams_end_with_a_word_when_the_service_stops(database_url: str) -> None:
    async with served_here(_app(database_url)) as address:
        reading = asyncio.ensure_future(_read_to_the_end(address, opened := asyncio.Event()))
        await asyncio.wait_for(opened.wait(), DEADLINE_S)
    assert [one.name for one in await reading][-1] == "end"


async def _read_to_the_end(address: str, opened: asyncio.Event) -> list[Told]:
    async with listening(address) as stream:
        first = await stream.next()
        opened.set()
        return [first, *await stream.rest()]


async def test_units_are_made_once_for_all_who_ask_at_once_and_have_what_was_committed_before(
    app: FastAPI, address: str
) -> None:
    async with httpx.AsyncClient(base_url=address, timeout=DEADLINE_S) as client:
        for seq in range(0, 10, 2):
            await _post(address, _running(seq))
            texts = {(await one).text for one in [client.get("/v1/units") for _ in range(5)]}
            assert len(texts) == 1
            answers = await asyncio.gather(*(client.get("/v1/units") for _ in range(MANY)))
            assert {answer.status_code for answer in answers} == {200}
            assert (await _standings(address))[ZONE]["state"] == "running"
            await _post(address, _wait(seq + 1))
            assert (await _standings(address))[ZONE]["since"] == _wait(seq + 1)["at"]
