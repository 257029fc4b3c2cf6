"""Consumers that send what has broken other programs, and what chance makes: nothing is given away, nothing is changed."""

import asyncio
import threading

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.consumers import Answer, Consumer, Crowd, answer_of
from tests.faults.hostile import FILE, FORGED, WORKED_OUT, injections, random_bytes, random_request
from tests.faults.table import fault

#: How long a request that may never be whole waits for an answer.
SHORT_S = 1.0
FUZZED = 5000


def _hold(answer: Answer) -> None:
    """Raise where a string has done what it was made for."""
    if WORKED_OUT in answer.body or FILE in answer.body or "set-cookie" in answer.headers:
        raise ValueError(f"gave something away: {answer}")


def _check_log(bench: Bench) -> None:
    """Hold the log: no line of it is a caller's, and the service failed on nothing."""
    log = bench.service.log()
    assert not [line for line in log.splitlines() if line.startswith(FORGED)]
    assert "\x1b" not in log
    assert "Traceback" not in log, log[-4000:]


@fault("consumers", "injection strings everywhere")
def _injected(bench: Bench) -> Outcome:
    bench.serve()
    cell = bench.sent.scenario.path(bench.sent.scenario.cells[0].cell)
    left, all_are_sent = injections(cell), threading.Event()

    async def inject(consumer: Consumer) -> None:
        request = next(left, None)
        if request is None:
            all_are_sent.set()
            await consumer.pause(0.5)
        else:
            _hold(await consumer.send(request))

    plant = bench.service.get("/v1/plant")
    with bench.sending():
        with Crowd(bench, 20, inject) as crowd:
            bench.wait_for_events(500, 240)
            bench.wait_until(lambda: all_are_sent.is_set() or bool(crowd.wrong), "all are sent", 400)
            bench.wait_for_events(200)
        assert {200, 404, 422} <= crowd.answers.keys(), crowd.answers
    assert bench.service.get("/v1/plant") == plant
    _check_log(bench)
    return bench.check()


async def _ask_by_chance(consumer: Consumer) -> None:
    _hold(await consumer.send(random_request(consumer.rng)))


async def _send_bytes(consumer: Consumer) -> None:
    """Send what may be no request, and hear whether it is answered."""
    async with consumer.connected() as (reader, writer):
        writer.write(random_bytes(consumer.rng))
        try:
            received = await asyncio.wait_for(reader.read(-1), SHORT_S)
        except (TimeoutError, ConnectionResetError):  # it never ends, or was answered before it was heard out
            return
    if received:
        answer = answer_of(received)
        consumer.tell(answer)
        _hold(answer)


@fault("consumers", "fuzzed requests in bulk")
def _fuzzed(bench: Bench) -> Outcome:
    bench.serve()
    plant = bench.service.get("/v1/plant")
    with bench.sending():
        with Crowd(bench, 15, _ask_by_chance) as asked, Crowd(bench, 15, _send_bytes) as sent:
            bench.wait_for_events(500, 240)
            enough = FUZZED if bench.full else FUZZED // 10
            bench.wait_until(lambda: asked.answers.total() >= enough or bool(asked.wrong), "enough is asked", 400)
            bench.wait_for_events(200)
        assert {404, 405, 422} <= asked.answers.keys(), asked.answers
        assert sent.answers[400], sent.answers
    assert bench.service.get("/v1/plant") == plant
    _check_log(bench)
    return bench.check()
