"""Consumers of live streams that read nothing, or vanish: the others are told what changes, and nothing is left behind."""

import asyncio
import os
from pathlib import Path

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.consumers import LONGEST_S, Answer, Consumer, Crowd, answer_of, request_of
from tests.faults.table import fault

MEANWHILE = 1000
#: More than the connections to the database that may be open or not, and far less than the streams that there were.
FILES_BESIDE = 20
REQUEST = request_of("GET", "/v1/live")


def _held(bench: Bench) -> tuple[int, float]:
    """Return how many files the service has open, and its memory in MiB."""
    process = Path(f"/proc/{bench.service.pid}")
    pages = int((process / "statm").read_text().split()[1])
    return len(os.listdir(process / "fd")), pages * os.sysconf("SC_PAGE_SIZE") / 2**20


async def _follow(consumer: Consumer) -> None:
    """Read a stream until it has told a state, and then for a moment."""
    async with consumer.connected() as (reader, writer):
        writer.write(REQUEST)
        head = await reader.readuntil(b"\r\n\r\n")
        if b" 200 " in head.partition(b"\r\n")[0]:
            await asyncio.wait_for(reader.readuntil(b"event: state"), LONGEST_S)
            consumer.tell(Answer(200, {"content-type": "application/json"}, b""))
        else:
            consumer.tell(answer_of(head + await asyncio.wait_for(reader.read(-1), LONGEST_S)))
        await consumer.pause(consumer.rng.uniform(0.0, 2.0))


async def _read_nothing(consumer: Consumer) -> None:
    async with consumer.connected(buffer_bytes=2048) as (_, writer):
        writer.write(REQUEST)
        await consumer.pause(3600)


async def _vanish(consumer: Consumer) -> None:
    async with consumer.connected() as (_, writer):
        writer.write(REQUEST)
        await consumer.pause(consumer.rng.uniform(0.0, 0.5))
    # A hundred that come again at once are more than a slow machine takes.
    await consumer.pause(consumer.rng.uniform(0.0, 1.5))


@fault("consumers", "300 live streams: some read nothing, some vanish", short=("sqlite",))
def _streams(bench: Bench) -> Outcome:
    bench.serve()
    with bench.sending():
        files, memory_mib = _held(bench)
        with Crowd(bench, 50, _follow) as following, Crowd(bench, 150, _read_nothing), Crowd(bench, 100, _vanish):
            bench.wait_for_events(MEANWHILE, 120)
            assert _held(bench)[1] < memory_mib + 60
        assert following.answers[200], following.answers
        bench.wait_until(lambda: _held(bench)[0] < files + FILES_BESIDE, "all streams are closed")
    assert "Traceback" not in bench.service.log(), bench.service.log()[-4000:]
    return bench.check()
