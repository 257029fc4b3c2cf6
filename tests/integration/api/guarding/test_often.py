"""Who asks too often, or guesses, is told to wait, and nobody else is."""

import asyncio
import re
import secrets
from collections import Counter
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi import FastAPI

from tests.integration.api.guarding.conftest import Asking, MakeKey
from tests.integration.api.problem import problem
from tests.integration.api.server import served_here
from zoneledger.api import often
from zoneledger.api.door import Door
from zoneledger.api.often import FAILURES_A_MINUTE, Often
from zoneledger.asgi import create_app
from zoneledger.bootstrap import Service
from zoneledger.core.callers import Caller, Scope

GUESSES, AT_ONCE = 10_000, 8


async def test_who_asks_too_often_is_told_when_to_ask_again_and_nobody_else_is(
    app: FastAPI, service: Service, asking: Asking, make_key: MakeKey
) -> None:
    app.state.door = Door(service.callers, requests_a_minute=5)
    often, other = asking(await make_key("read", name="often")), asking(await make_key("read", name="other"))
    for _ in range(5):
        assert (await often.get("/v1/units")).status_code == 200
    answer = await often.get("/v1/units")
    assert "5 times a minute" in problem(answer, "too_often")["detail"]
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert (await other.get("/v1/units")).status_code == 200
    assert (await often.get("/health/ready")).status_code == 200
    problem(await often.get("/v1/nothing"), "too_often")


async def test_without_a_bound_callers_ask_as_often_as_they_like(asking: Asking, admin: str) -> None:
    client = asking(admin)
    assert {(await client.get("/v1/session")).status_code for _ in range(200)} == {200}


def test_a_key_and_a_token_of_one_name_are_counted_apart() -> None:
    often = Often(1)
    callers = [Caller("one", frozenset(Scope), None, origin) for origin in ("key", "token", "session")]
    assert [often.ask(caller) for caller in callers] == [None, None, None]
    assert all(often.ask(caller) for caller in callers)


async def test_an_address_that_guesses_is_slowed_and_who_is_right_there_is_not(
    asking: Asking, admin: str, api: httpx.AsyncClient
) -> None:
    guessing, right = asking("wrong", "192.0.2.66"), asking(admin, "192.0.2.66")
    for _ in range(FAILURES_A_MINUTE):
        problem(await guessing.get("/v1/units"), "not_authenticated")
        assert (await right.get("/v1/units")).status_code == 200
    answer = await guessing.get("/v1/units")
    problem(answer, "too_often")
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert (await right.get("/v1/units")).status_code == 200
    problem(await asking("wrong", "192.0.2.67").get("/v1/units"), "not_authenticated")
    problem(await asking(None, "192.0.2.66").get("/v1/units"), "not_authenticated")


async def test_guesses_at_the_page_to_log_in_at_are_counted_with_the_others(asking: Asking, admin: str) -> None:
    client, own = asking(None, "192.0.2.66"), {"sec-fetch-site": "same-origin"}
    for _ in range(FAILURES_A_MINUTE):
        answer = await client.post("/v1/session", json={"credential": "wrong"}, headers=own)
        problem(answer, "not_authenticated")
    problem(await client.post("/v1/session", json={"credential": "wrong"}, headers=own), "too_often")
    problem(await asking("wrong", "192.0.2.66").get("/v1/units"), "too_often")
    assert (await client.post("/v1/session", json={"credential": admin}, headers=own)).status_code == 201


def _guess(number: int, right: str) -> str:
    """Return a guess: a key that nobody has, a wrong secret of one that there is, part of a right one, or what is no key."""
    prefix, id, secret = right.split("_", 2)
    wrong = secrets.token_urlsafe(32)
    if number % 20 == 0:
        return f"{prefix}_{secrets.token_hex(6)}_{wrong}"
    kinds = (f"{prefix}_{id}_{wrong}", f"zs_{id}_{secret}", right[:-1], wrong)
    return kinds[number % len(kinds)]


@pytest.fixture
async def served(service: Service) -> AsyncIterator[str]:
    """The address of the application over real HTTP."""
    async with served_here(create_app(service)) as address:
        yield address


class Connection:
    """A connection that asks one request after the other, by as little of a client as it takes: so many are slow enough."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer

    @classmethod
    async def to(cls, address: str, local: str = "127.0.0.1") -> "Connection":
        host, _, port = address.removeprefix("http://").partition(":")
        return cls(*await asyncio.open_connection(host, int(port), local_addr=(local, 0)))

    async def status(self, key: str) -> int:
        """Return how a request with a key is answered."""
        self._writer.write(f"GET /v1/plant HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {key}\r\n\r\n".encode())
        head = await self._reader.readuntil(b"\r\n\r\n")
        length = re.search(rb"content-length: (\d+)", head)
        assert length is not None
        await self._reader.readexactly(int(length[1]))
        return int(head.split()[1])

    def close(self) -> None:
        self._writer.close()


async def test_ten_thousand_guesses_let_nobody_in_and_lock_nobody_out(served: str, make_key: MakeKey) -> None:
    right, answers, others = await make_key("read"), Counter[int](), Counter[int]()
    guessing = [await Connection.to(served) for _ in range(AT_ONCE)]
    here, there = await Connection.to(served), await Connection.to(served, "127.0.0.2")
    numbers = iter(range(GUESSES))

    async def guess(connection: Connection) -> None:
        for number in numbers:
            answers[await connection.status(_guess(number, right))] += 1

    async def ask_meanwhile() -> None:
        while answers.total() < GUESSES:
            for connection in (here, there):
                others[await connection.status(right)] += 1
            await asyncio.sleep(0.05)

    await asyncio.gather(ask_meanwhile(), *map(guess, guessing))
    assert await there.status("wrong") == 401
    assert answers.total() == GUESSES
    assert answers.keys() == {401, 429}
    assert answers[429] > GUESSES - 10 * FAILURES_A_MINUTE
    assert others.keys() == {200}
    assert others.total() >= 10
    for connection in (*guessing, here, there):
        connection.close()


def test_a_minute_later_all_are_heard_again_and_nothing_is_kept_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = [1000.0]
    monkeypatch.setattr(often, "monotonic", lambda: now_s[0])
    counting = Often(0)
    for number in range(100):
        assert counting.fail(f"192.0.2.{number}") is None
    for _ in range(FAILURES_A_MINUTE):
        counting.fail("192.0.2.1")
    slowed = counting.fail("192.0.2.1")
    assert slowed is not None
    assert slowed.retry_after_s == 60
    now_s[0] += 60.0
    assert counting.fail("192.0.2.1") is None
    assert len(counting._limiter.storage._kept) == 1  # type: ignore[attr-defined]
