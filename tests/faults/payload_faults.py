"""Faults of payloads: each of the corpus that breaks the contract, floods of them, too large, misplaced and retained ones."""

import asyncio
import json
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.contract.payloads import BAD, BAD_ALONE, BAD_WHOLE, ODD, message
from tests.faults.asking import listed, reasons, received, wait_for_arrival, wait_for_refusals
from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.sending import HOUR_US
from tests.faults.streams import TOPICS, Payload, Stream, array_of, connection, encoded, publish, publish_all
from tests.faults.table import fault
from zoneledger.clock import now_us
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender
from zoneledger_sim.clock import rfc3339

#: What a refused message is told as: its cell, its place in its payload, reason, text and size in bytes.
Told = tuple[str, int, str, str, int]


def _told(cell: str, index: int, reason: str, text: bytes) -> Told:
    return cell, index, reason, text[:MAX_PAYLOAD_BYTES].decode("utf-8", "replace"), len(text)


def _refused(bench: Bench) -> list[Told]:
    rows = listed(bench, "refused")
    return sorted((row["cell"], row["index"], row["reason"], row["text"], row["size"]) for row in rows)


def _corpus() -> tuple[dict[str, tuple[bytes, str]], dict[str, tuple[bytes, str]]]:
    """Return the bad messages, and those that are refused as a payload, by a clock that runs."""
    ahead = json.dumps(message(at=rfc3339(now_us() + HOUR_US))).encode(), "ahead_of_clock"
    now = {"6 s ahead of the clock": ahead}
    return BAD | now, BAD_ALONE | now | BAD_WHOLE


def _two_and_an_odd_one(bench: Bench, length_us: int) -> tuple[Stream, str, str]:
    """Serve three cells; return what the first two have to tell, the path of one of these, and that of the third."""
    bench.serve(cells=3)
    scenario = bench.sent.scenario
    start_us = now_us() - 2 * HOUR_US
    stream = Stream(bench, start_us, start_us + length_us, replace(scenario, cells=scenario.cells[:2]))
    stream.tell_truth()
    return stream, stream.cells[0], scenario.path(scenario.cells[2].cell)


@fault("payload", "each of the corpus between good messages", short=("sqlite",))
def _poison(bench: Bench) -> Outcome:
    """Two cells send good messages with bad ones among them, a third the ones that only look bad."""
    stream, cell, odd = _two_and_an_odd_one(bench, HOUR_US // 2)
    good = [encoded(one.message) for one in stream.messages if one.cell == cell]
    assert len(good) > 2 * len(BAD), len(good)
    inside, alone = _corpus()
    payloads: list[Payload] = []
    should: list[Told] = []
    for text, reason in inside.values():
        payloads.append((TOPICS.events(cell), array_of([good.pop(), text, good.pop()])))
        should.append(_told(cell, 1, reason, text))
    for text, reason in alone.values():
        payloads += [(TOPICS.events(cell), text), *((TOPICS.events(cell), good.pop()) for _ in good[:1])]
        should.append(_told(cell, 0, reason, text))
    payloads += [(TOPICS.events(odd), text) for text in ODD.values()]
    payloads += [(TOPICS.events(cell), text) for text in good]
    publish(bench, payloads)
    stream.note_sent(cell, [encoded(one.message) for one in stream.messages if one.cell == cell])
    stream.note_sent(odd, [encoded(json.loads(text)) for text in ODD.values()])
    stream.send([one for one in stream.messages if one.cell != cell])
    bench.over()
    wait_for_arrival(bench, len(stream.messages) + len(ODD) + len(should))
    assert _refused(bench) == sorted(should)
    assert received(bench)[odd]["events"] == len(ODD)
    assert received(bench)[cell]["refused"] == len(should)
    return bench.check()


@dataclass
class _Memory:
    """The resident memory of the service, in MiB, sampled while a flood lasts."""

    before: float
    highest: float = 0.0
    after: float = 0.0

    def __str__(self) -> str:
        return f"{self.before:.0f} MiB before, {self.highest:.0f} at most, {self.after:.0f} after"


def _resident_mib(bench: Bench) -> float:
    pages = int(Path(f"/proc/{bench.service.pid}/statm").read_text().split()[1])
    return pages * 4096 / 2**20


async def _flood(bench: Bench, payloads: list[Payload], senders: int) -> _Memory:
    """Publish payloads over some connections at once, and until all that came is stored or refused look at the memory."""
    memory = _Memory(_resident_mib(bench))
    ended = asyncio.Event()

    async def one(own: list[Payload]) -> None:
        async with connection(bench) as client:
            await publish_all(client, own)

    async def look() -> None:
        while not ended.is_set():
            memory.highest = max(memory.highest, _resident_mib(bench))
            await asyncio.sleep(0.05)

    looking = asyncio.create_task(look())
    await asyncio.gather(*(one(payloads[number::senders]) for number in range(senders)))
    await asyncio.to_thread(wait_for_refusals, bench, len(payloads))
    ended.set()
    await looking
    memory.after = _resident_mib(bench)
    return memory


#: Payloads that break the contract, each with a number that makes it another, and why they are refused.
_BAD = (
    (b'{"v": 2, "n": %d}', "version_unsupported"),
    (b'{"v": 1, "n": %d}', "field_missing"),
    (b'{"n": %d, "x": NaN}', "not_finite"),
    (b'{"n": %d, "x": "\xff"}', "not_utf8"),
    (b'{"n": %d, "x": "\\u0000"}', "bad_text"),
    (b'{"n": %d, "x": [[[[[[[[]]]]]]]]}', "too_deep"),
    (b'{"n": %d, "n": 0}', "repeated_field"),
    (b'{"n": %d', "not_json"),
    (b"[%d]", "not_an_object"),
)


def _bad_payloads(bench: Bench, number: int, pad: bytes = b"") -> tuple[list[Payload], Counter[str]]:
    """Return so many payloads that break the contract, no two alike, each with `pad` behind, and how many for which reason."""
    rng, payloads = random.Random(bench.seed), []
    should: Counter[str] = Counter()
    cells = [bench.sent.scenario.path(plan.cell) for plan in bench.sent.scenario.cells]
    for count in range(number):
        text, reason = rng.choice(_BAD)
        payloads.append((TOPICS.events(rng.choice(cells)), text % count + pad))
        should[reason if len(payloads[-1][1]) <= MAX_PAYLOAD_BYTES else "too_large"] += 1
    return payloads, should


def _flooded(number: int, pad: bytes, at_most_mib: float) -> Callable[[Bench], Outcome]:
    """While bad payloads come by the thousand, good ones are stored; each bad one is kept, and memory has a bound."""

    def commit(bench: Bench) -> Outcome:
        bench.serve()
        payloads, should = _bad_payloads(bench, number if bench.full else number // 10, pad)
        with bench.sending():
            before = bench.stored()
            memory = asyncio.run(_flood(bench, payloads, senders=3))
            meanwhile = bench.stored() - before
        bench.over()
        assert meanwhile > 100, meanwhile
        assert memory.highest < at_most_mib, memory
        assert reasons(bench) == should
        return replace(bench.check(), note=f"{meanwhile} good meanwhile; {memory}")

    return commit


fault("payload", "a flood of 20,000 that break the contract")(_flooded(20_000, b"", 250))
fault("payload", "a flood of 1,000 of 1 MB each", databases=("sqlite",))(_flooded(1000, b" " * 1_000_000, 600))


@fault("payload", "256 KiB, more, and too much for the broker")
def _too_large(bench: Bench) -> Outcome:
    """What the broker takes is refused and kept in part; what it does not take, it tells the sender by ending its connection."""
    stream, cell, odd = _two_and_an_odd_one(bench, HOUR_US // 6)
    largest = encoded(message(type="own", note="")).replace(b'"note":""', b'"note":"%s"' % (b"n" * MAX_PAYLOAD_BYTES))
    largest = largest[: MAX_PAYLOAD_BYTES - 2] + b'"}'
    assert len(largest) == MAX_PAYLOAD_BYTES
    too_large = [largest + b" ", b"[" + b" " * (2**20 - 2) + b"]", b"\xff" * 2**20]
    stream.send(stream.messages[:100], array=1)
    publish(bench, [(TOPICS.events(odd), largest), *((TOPICS.events(cell), text) for text in too_large)])
    stream.note_sent(odd, [largest])
    for size in (1_100_000, 2**21):
        with pytest.raises(OSError, match="did not acknowledge"):
            asyncio.run(_send(bench, cell, b" " * size))
    stream.send(stream.messages[100:], array=1)
    bench.over()
    wait_for_arrival(bench, len(stream.messages) + 1 + len(too_large))
    assert _refused(bench) == sorted(_told(cell, 0, "too_large", text) for text in too_large)
    return bench.check()


async def _send(bench: Bench, cell: str, payload: bytes) -> None:
    async with MqttSender(parse_broker_url(bench.broker.url)) as sender:
        await sender.send(cell, payload)


@fault("payload", "topic and body at odds, unknown cells and types")
def _misplaced(bench: Bench) -> Outcome:
    """The topic says whose message it is, whatever its body says; what is of no cell of the plant is kept and listed."""
    stream, cell, odd = _two_and_an_odd_one(bench, HOUR_US // 2)
    good = [encoded(one.message) for one in stream.messages if one.cell == cell]
    elsewhere = [encoded(message(boot=boot, cell=cell, topic=TOPICS.events(cell))) for boot in range(1, 50)]
    unknown = [encoded(message(boot=boot, type=f"type-{boot}", zone="1", shade=boot)) for boot in range(50, 99)]
    link = b'{"v":1,"link":"up","boot":1}'
    should = [
        *(_told(f"harbour/wing-1/{name}", 0, "unknown_cell", good[0]) for name in ("cell-9", "CELL-1", "", "cell 1")),
        _told("harbour//cell-1", 0, "unknown_cell", good[0]),
        _told("elsewhere/wing-1/cell-\N{WRENCH}", 0, "unknown_cell", good[0]),
        _told("harbour/wing-1/cell-9", 0, "unknown_cell", link),
        _told(cell, 0, "field_missing", link),
        _told(cell, 0, "field_invalid", good[1]),
    ]
    payloads = [(TOPICS.events(told[0]), good[0]) for told in should[:6]]
    payloads += [
        (TOPICS.link("harbour/wing-1/cell-9"), link),
        (TOPICS.events(cell), link),
        (TOPICS.link(cell), good[1]),
    ]
    payloads += [(TOPICS.events(odd), text) for text in (*elsewhere, *unknown)]
    publish(bench, payloads)
    stream.note_sent(odd, [*elsewhere, *unknown])
    stream.send(stream.messages, array=20)
    bench.over()
    wait_for_arrival(bench, len(stream.messages) + len(elsewhere) + len(unknown) + 2)
    assert _refused(bench) == sorted(should)
    assert received(bench)[odd]["unknown_fields"] == {"cell": len(elsewhere), "topic": len(elsewhere)}
    assert received(bench)[odd]["events"] == len(elsewhere) + len(unknown)
    return bench.check()


@fault("payload", "retained messages come again at 4 new subscriptions")
def _retained(bench: Bench) -> Outcome:
    """Messages are not to be retained; one that is comes again, good or bad, and changes nothing."""
    bench.serve(cells=3)
    start_us = now_us() - 2 * HOUR_US
    stream = Stream(bench, start_us, start_us + HOUR_US // 2)
    stream.tell_truth()
    first, second, third = stream.cells
    stream.send(stream.messages)
    wait_for_arrival(bench, len(stream.messages))
    last = {one.cell: encoded(one.message) for one in stream.messages}
    array = array_of([encoded(one.message) for one in stream.messages if one.cell == second][-50:])
    kept = [(TOPICS.events(first), last[first]), (TOPICS.events(second), array), (TOPICS.events(third), b"{")]
    publish(bench, kept, retain=True)
    for number in range(1, 5):
        wait_for_arrival(bench, len(stream.messages) + number * 52)
        bench.service.stop()
        bench.service.start()
    wait_for_arrival(bench, len(stream.messages) + 5 * 52)
    bench.over()
    counts = received(bench)
    assert [counts[cell]["duplicate"] for cell in stream.cells] == [5, 250, 0], counts
    assert [counts[cell]["refused"] for cell in stream.cells] == [0, 0, 5], counts
    assert _refused(bench) == [_told(third, 0, "not_json", b"{")] * 5
    return bench.check()
