"""Consumers that are slow, greedy, or offer refused messages again: ingest goes on, and no answer is a failure of the service.

Left out, since what they befall is not there yet: keys and tokens, metrics.
"""

import asyncio
import json
import random
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

import httpx

from tests.faults.asking import reasons
from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.consumers import Act, Consumer, Crowd, request_of
from tests.faults.killing import Tally, live_and_die
from tests.faults.table import fault
from zoneledger_cli.refusals import retry_refused

#: How many more events have to be stored while the consumers are at it.
MEANWHILE = 1500
JSON = "application/json"


def _beside(*crowds: tuple[int, Act]) -> Callable[[Bench], Outcome]:
    """Return the fault of crowds, so many consumers for each act, that go on until so many more events are stored."""

    def commit(bench: Bench) -> Outcome:
        bench.serve()
        with bench.sending():
            with ExitStack() as stack:
                met = [stack.enter_context(Crowd(bench, number, act)) for number, act in crowds]
                bench.wait_for_events(MEANWHILE, 120)
            answers = sum((crowd.answers for crowd in met), start=Counter[int]())
            assert answers[200], answers
        assert "Traceback" not in bench.service.log(), bench.service.log()[-4000:]
        return bench.check()

    return commit


async def _drip(consumer: Consumer) -> None:
    """Send a request byte by byte, and read the answer."""
    body = json.dumps({"cell": "nobody/knows/it", "messages": []}).encode()
    slow = [request_of("GET", "/v1/units"), request_of("POST", "/v1/messages", body, content_type=JSON)]
    async with consumer.connected() as (reader, writer):
        for byte in consumer.rng.choice(slow):
            writer.write(bytes([byte]))
            await consumer.pause(consumer.rng.uniform(0.0, 0.1))
        await consumer.hear(reader)


async def _never_read(consumer: Consumer) -> None:
    """Ask for much, again and again on one connection, and read nothing."""
    request = request_of("GET", "/v1/events").replace(b"connection: close\r\n", b"")
    async with consumer.connected(buffer_bytes=2048) as (_, writer):
        writer.write(request * 20)
        await consumer.pause(3600)


async def _vanish(consumer: Consumer) -> None:
    """Ask, and be gone before the answer, or before the question is whole."""
    request = request_of("GET", "/v1/events?limit=5000")
    async with consumer.connected() as (_, writer):
        writer.write(request[: consumer.rng.choice([len(request), consumer.rng.randrange(len(request))])])
        await consumer.pause(consumer.rng.uniform(0.0, 0.5))


fault("consumers", "200 slow connections, and 20 that vanish")(_beside((100, _drip), (100, _never_read), (20, _vanish)))


async def _export(consumer: Consumer) -> None:
    """Read all that is stored, page by page."""
    after: int | None = 0
    limit = consumer.rng.choice([200, 1000, 5000])
    name = consumer.rng.choice(["events", "events", "snapshots"])
    while after is not None and not consumer.enough.is_set():
        answer = await consumer.ask("GET", f"/v1/{name}?after={after}&limit={limit}")
        # A service that has too much to answer says so: the same page is asked for again.
        after = after if answer.status == 503 else json.loads(answer.body)["next"]


fault("consumers", "200 exports at once")(_beside((200, _export)))


def _day(days: int) -> str:
    return (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=days)).isoformat().replace("+00:00", "Z")


async def _ask_for_years(consumer: Consumer) -> None:
    """Ask for a window of ten years, or for the longest that is given."""
    rng = consumer.rng
    cell = consumer.bench.sent.scenario.path(rng.choice(consumer.bench.sent.scenario.cells).cell)
    steps = f"{cell}/1".split("/")
    unit = "/".join(steps[: rng.randint(1, 4)])
    begin = rng.randint(-3650, 3650)
    window = {"start": _day(begin), "end": _day(begin + rng.choice([31, 400, 401, 3650, 36500]))}
    by = {"by": rng.choice(["hour", "day", "week", "month", "shift"])} if rng.random() < 0.7 else {}
    name, query = rng.choice([("kpi", window | by), ("timeline", window), ("revisions", window), ("shifts", window)])
    await consumer.ask("GET", f"/v1/{name}/{'/'.join(steps[:2]) if name == 'shifts' else unit}?{urlencode(query)}")


fault("consumers", "windows of ten years, by 50 at once")(_beside((50, _ask_for_years)))


def _declare(bench: Bench, plant: bytes) -> None:
    headers = {"content-type": JSON}
    httpx.put(f"{bench.service.url}/v1/plant", content=plant, headers=headers, timeout=60).raise_for_status()


def _refuse(bench: Bench, number: int) -> None:
    """Withdraw the plant model until so many messages are refused, and declare it again."""
    plant = (bench.directory / "plant.json").read_bytes()
    _declare(bench, b'{"sites": []}')
    bench.wait_until(lambda: reasons(bench)["unknown_cell"] >= number, f"{number} messages are refused")
    _declare(bench, plant)


def _offer_all(bench: Bench) -> int:
    """Offer what is refused again until nothing is, as `zoneledger retry` does, and return how many messages were stored."""
    stored = 0
    while reasons(bench):
        stored += asyncio.run(retry_refused(bench.service.url, None, None)).stored
    return stored


@fault("consumers", "the plant withdrawn; what it refused offered again", short=("sqlite",))
def _withdrawn(bench: Bench) -> Outcome:
    bench.serve(pace=900)
    with bench.sending():
        _refuse(bench, 300)
        assert _offer_all(bench) >= 300
        bench.wait_for_events(100)
    assert reasons(bench) == {}
    return bench.check()


async def _offer_again(consumer: Consumer) -> None:
    body = json.dumps({"limit": consumer.rng.randint(1, 50)}).encode()
    await consumer.ask("POST", "/v1/refused/retry", body, content_type=JSON)


@fault("consumers", "what was refused offered again by 100 at once")
def _offered_by_many(bench: Bench) -> Outcome:
    bench.serve()
    with bench.sending():
        _refuse(bench, 2000)
        with Crowd(bench, 100, _offer_again) as crowd:
            bench.wait_for_events(MEANWHILE, 240)
        assert crowd.answers[200], crowd.answers
        _offer_all(bench)
    return bench.check()


KILLS = 8


@fault("consumers", f"kill -9 {KILLS} times while what was refused is offered")
def _killed_meanwhile(bench: Bench) -> Outcome:
    """The consumer asks for little at once, again and again: each of the service's lives ends before it is through."""
    service, tally, rng = bench.serve(), Tally(), random.Random(bench.seed)
    done = threading.Event()

    def offer() -> None:
        while not done.is_set():
            try:
                httpx.post(f"{service.url}/v1/refused/retry", json={"limit": 10}, timeout=5)
            except httpx.TransportError:
                done.wait(0.05)

    with bench.sending():
        _refuse(bench, 1500)
        service.kill()
        offering = threading.Thread(target=offer)
        offering.start()
        for number in range(KILLS):
            live_and_die(service, ("before_commit", "events_added")[number % 2], rng, tally)
        done.set()
        offering.join()
        service.fail_no_more()
        bench.over()
        service.start()
        assert _offer_all(bench) > 0
    assert tally.kills.total() == KILLS
    return bench.check()
