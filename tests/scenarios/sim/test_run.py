"""A run against a listener: pace, store and forward, the ledger file, and the way over HTTP."""

import asyncio
import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.http import HttpSender, RefusedError
from zoneledger_sim.ledger_file import read_ledger
from zoneledger_sim.pace import at_once, paced, real_time
from zoneledger_sim.plan import Misbehaviour
from zoneledger_sim.run import simulate
from zoneledger_sim.simulation import Simulation, messages

HOUR_US = 3_600_000_000
START_US = 1_795_586_400_000_000
END_US = START_US + HOUR_US
CELL = "harbour/wing-1/cell-1"


class Listener:
    """Takes payloads; fails the calls whose numbers, from 1, are in `failing`."""

    def __init__(self, failing: range = range(0)) -> None:
        self.failing = failing
        self.calls = 0
        self.payloads: list[tuple[str, bytes]] = []

    async def send(self, cell: str, payload: bytes) -> None:
        self.calls += 1
        if self.calls in self.failing:
            raise ConnectionError("nobody listens")
        self.payloads.append((cell, payload))

    def messages(self, cell: str) -> list[dict[str, Any]]:
        arrays = [json.loads(payload) for sender, payload in self.payloads if sender == cell]
        return [message for each in arrays for message in (each if isinstance(each, list) else [each])]


class Wall:
    """A wall clock that only sleeping moves on."""

    def __init__(self, now_us: int) -> None:
        self.now = now_us

    def now_us(self) -> int:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += max(1, round(seconds * 1e6))
        # Gives way to the tasks that deliver; no time passes.
        await asyncio.sleep(0)


def _sent(cell: str, misbehaviour: Misbehaviour | None = None) -> list[dict[str, Any]]:
    simulation = Simulation(demo_scenario(misbehaviour=misbehaviour), START_US)
    return [message for sender, message in messages(simulation, END_US) if sender == cell]


async def test_all_messages_arrive_in_order_in_arrays_within_the_contract() -> None:
    listener = Listener()
    await simulate(demo_scenario(), start_us=START_US, until_us=END_US, sender=listener, now_us=lambda: END_US)
    assert listener.messages(CELL) == _sent(CELL)
    sizes = [(len(json.loads(payload)), len(payload)) for _, payload in listener.payloads]
    assert max(count for count, _ in sizes) > 500
    assert all(count <= 1000 and length <= 256 * 1024 for count, length in sizes)


async def test_arrays_can_be_kept_small() -> None:
    listener = Listener()
    await simulate(demo_scenario(), start_us=START_US, until_us=END_US, sender=listener, now_us=lambda: END_US, array=1)
    assert listener.messages(CELL) == _sent(CELL)
    assert all(payload.startswith(b"{") for _, payload in listener.payloads)


async def test_the_past_goes_out_at_once_and_the_future_at_its_time() -> None:
    wall, listener = Wall(START_US + HOUR_US // 2), Listener()
    early_us: list[int] = []

    class Watching(Listener):
        async def send(self, cell: str, payload: bytes) -> None:
            await listener.send(cell, payload)
            last = json.loads(payload)
            last = last[-1] if isinstance(last, list) else last
            early_us.append(_at_us(last["at"]) - wall.now)

    scenario, watching = demo_scenario(), Watching()
    await simulate(
        scenario,
        start_us=START_US,
        until_us=END_US,
        sender=watching,
        now_us=wall.now_us,
        due=real_time,
        sleep=wall.sleep,
    )
    assert listener.messages(CELL) == _sent(CELL)
    assert max(early_us) <= 0
    assert wall.now >= END_US
    assert len(listener.payloads) > 500


def _at_us(at: str) -> int:
    return round(datetime.fromisoformat(at).timestamp() * 1e6)


def test_a_pace_never_sends_a_message_before_its_time() -> None:
    due = paced(START_US, END_US, 10.0)
    assert due(START_US) == END_US
    assert due(START_US + HOUR_US // 2) == END_US + HOUR_US // 20
    assert due(START_US + 3 * HOUR_US) == START_US + 3 * HOUR_US
    assert at_once(END_US) == 0
    with pytest.raises(ValueError, match="pace"):
        paced(START_US, END_US, 0.0)


async def test_an_outage_is_bridged_and_ends_with_a_snapshot(tmp_path: Path) -> None:
    wall, listener = Wall(START_US), Listener(failing=range(20, 40))
    await simulate(
        demo_scenario(cells=1),
        start_us=START_US,
        until_us=START_US + HOUR_US // 4,
        sender=listener,
        now_us=wall.now_us,
        due=real_time,
        sleep=wall.sleep,
        ledger_path=tmp_path / "ledger.jsonl",
    )
    arrived = listener.messages(CELL)
    numbers = [message["seq"] for message in arrived if message["type"] != "snapshot"]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) > 20
    simulation = Simulation(demo_scenario(cells=1), START_US)
    plain = [message for _, message in messages(simulation, START_US + HOUR_US // 4)]
    assert [message for message in arrived if message in plain] == plain
    assert len(arrived) == len(plain) + 1
    ledger = read_ledger(tmp_path / "ledger.jsonl")
    assert [message for _, message in ledger.messages()] == arrived
    assert list(ledger.messages(acknowledged=False)) == []


async def test_the_ledger_file_gives_back_what_was_sent_lost_and_true(tmp_path: Path) -> None:
    scenario = demo_scenario(misbehaviour=Misbehaviour(lose=0.02, duplicate=0.02, reorder=0.1, late=0.02))
    listener, path = Listener(), tmp_path / "ledger.jsonl"
    truth = await simulate(
        scenario, start_us=START_US, until_us=END_US, sender=listener, now_us=lambda: END_US, ledger_path=path
    )
    ledger = read_ledger(path)
    assert (ledger.start_us, ledger.seed, ledger.cells) == (START_US, 1, [CELL, "harbour/wing-1/cell-2"])
    for cell in ledger.cells:
        assert [message for sender, message in ledger.messages() if sender == cell] == listener.messages(cell)
        lost = [message for sender, message in ledger.lost if sender == cell]
        assert lost
        assert _distinct(listener.messages(cell) + lost) == _distinct(_sent(cell))
    assert ledger.truth is not None
    assert ledger.truth.records == truth.records
    assert ledger.truth.until_us == END_US


def _distinct(sent: list[dict[str, Any]]) -> set[str]:
    return {json.dumps(message) for message in sent}


async def test_a_run_that_breaks_off_leaves_its_unacknowledged_messages_and_its_truth(tmp_path: Path) -> None:
    class Broken(Listener):
        async def send(self, cell: str, payload: bytes) -> None:
            if self.payloads:
                raise RefusedError("no more")
            await super().send(cell, payload)

    path = tmp_path / "ledger.jsonl"
    with pytest.raises(RefusedError, match="no more"):
        await simulate(
            demo_scenario(cells=1),
            start_us=START_US,
            until_us=END_US,
            sender=Broken(),
            now_us=lambda: END_US,
            ledger_path=path,
            array=10,
        )
    with path.open("ab") as stream:
        stream.write(b'{"line": "sent", "payl')
    ledger = read_ledger(path)
    assert len(list(ledger.messages())) == 10
    assert len(list(ledger.messages(acknowledged=False))) >= 10
    assert ledger.truth is not None


def test_another_file_is_no_ledger_file(tmp_path: Path) -> None:
    (tmp_path / "other").write_text('{"line": "run", "format": 2}\n')
    with pytest.raises(ValueError, match="no ledger file"):
        read_ledger(tmp_path / "other")


def _client(answer: Callable[[dict[str, Any]], Response]) -> httpx.AsyncClient:
    async def record(request: Request) -> Response:
        return answer(await request.json())

    app = Starlette(routes=[Route("/v1/messages", record, methods=["POST"])])
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://service")


async def test_http_posts_arrays_and_single_messages_alike() -> None:
    bodies: list[dict[str, Any]] = []

    def stored(body: dict[str, Any]) -> Response:
        bodies.append(body)
        return JSONResponse({"stored": len(body["messages"]), "duplicate": 0, "refused": []})

    async with _client(stored) as client:
        sender = HttpSender(client)
        await sender.send(CELL, b'{"v":1}')
        await sender.send(CELL, b'[{"v":1},{"v":2}]')
    assert bodies == [{"cell": CELL, "messages": [{"v": 1}]}, {"cell": CELL, "messages": [{"v": 1}, {"v": 2}]}]


async def test_http_tells_refusals_unless_they_are_expected() -> None:
    refusal = {"stored": 0, "duplicate": 0, "refused": [{"index": 0, "reason": "no such cell"}]}
    async with _client(lambda body: JSONResponse(refusal)) as client:
        with pytest.raises(RefusedError, match="no such cell"):
            await HttpSender(client).send(CELL, b"{}")
        await HttpSender(client, refusals_expected=True).send(CELL, b"{}")


@pytest.mark.parametrize(("status", "error"), [(503, ConnectionError), (422, RefusedError), (500, RefusedError)])
async def test_http_offers_again_only_what_may_yet_be_taken(status: int, error: type[Exception]) -> None:
    async with _client(lambda body: JSONResponse({}, status_code=status)) as client:
        with pytest.raises(error, match=str(status)):
            await HttpSender(client).send(CELL, b"{}")


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        (JSONResponse({"detail": "The body is too large."}, 413), "answered 413: The body is too large."),
        (PlainTextResponse("<html>\n<h1>Unsupported method ('POST')</h1>", 501), "answered 501: it is no Zoneledger"),
        (Response(status_code=405), "answered 405: it is no Zoneledger"),
        (PlainTextResponse("welcome"), "answered 200: it is no Zoneledger"),
        (JSONResponse({"stored": 1}), "answered 200: it is no Zoneledger"),
    ],
)
async def test_http_names_the_address_and_what_it_answers_in_one_sentence(answer: Response, told: str) -> None:
    async with _client(lambda body: answer) as client:
        with pytest.raises(ValueError, match=r"^http://service/v1/messages answered \d+: ") as refusal:
            await HttpSender(client).send(CELL, b"{}")
    assert str(refusal.value) == f"http://service/v1/messages {told}"


async def test_http_without_a_scheme_is_told_what_an_address_is() -> None:
    async with httpx.AsyncClient(base_url="localhost:8000") as client:
        with pytest.raises(RefusedError, match=r"is no address such as http://127\.0\.0\.1:8000"):
            await HttpSender(client).send(CELL, b"{}")


async def test_http_without_a_listener_is_a_connection_error(unused_tcp_port: int) -> None:
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{unused_tcp_port}") as client:
        with pytest.raises(ConnectionError, match="no answer"):
            await HttpSender(client).send(CELL, b"{}")
