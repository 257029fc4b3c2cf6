"""Faults of a controller's link to the broker: last wills that are missing, early, or come again and again."""

import asyncio
from dataclasses import replace
from typing import Any

from aiomqtt import Client

from tests.faults.asking import wait_for_arrival, window
from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.sending import HOUR_US
from tests.faults.streams import TOPICS, Stream, publish, publish_all
from tests.faults.table import fault
from tests.servers.relay import Relay
from zoneledger.clock import now_us
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.publisher import MqttSender, link_down, link_up
from zoneledger_sim.fates import instant_us

SILENCE_US = 30_000_000


def _until_now(bench: Bench, live_s: float = 0.0, **serve: Any) -> Stream:
    """Start the service, and return what three cells send in a quarter of an hour that ends in `live_s` seconds."""
    bench.serve(cells=3, **serve)
    begun_us = now_us()
    scenario = replace(bench.sent.scenario, snapshot_s=1.0)
    stream = Stream(bench, begun_us - HOUR_US // 4, begun_us + round(live_s * 1e6), scenario)
    stream.tell_truth()
    return stream


def _known_until_us(bench: Bench, cell: str) -> int:
    """Return the end of a cell's last span that is known; it has to be so by its reason, too."""
    at_us = now_us()
    (own,) = [
        unit["spans"]
        for unit in bench.service.get(f"/v1/timeline/{cell}", **window(at_us - HOUR_US // 4, at_us))["units"]
        if unit["unit"] == cell
    ]
    assert (own[-1]["state"], own[-1]["reason"]) == ("unknown", "silence"), own[-1]
    return instant_us(own[-1]["start"])


def _last_us(stream: Stream, cell: str) -> int:
    return max(one.due_us for one in stream.messages if one.cell == cell)


async def _vanish(bench: Bench, cell: str) -> None:
    """Connect as a controller does, and be gone without a word: the broker tells its last will."""
    async with MqttSender(parse_broker_url(bench.broker.url)) as sender:
        await sender.link_up(cell, 1)
        await sender.cut(cell)


@fault("stream", "last wills missing, early and in time")
def _wills(bench: Bench) -> Outcome:
    """One cell's link goes down though it sends on; then all fall silent: one with a last will, two without."""
    stream = _until_now(bench, 5)
    missing, early, in_time = stream.cells

    async def say_down(number: int, client: Client) -> None:
        if number % 5 == 0 and now_us() < stream.truth.until_us - 2_000_000:
            await publish_all(client, [(TOPICS.link(early), link_down())], retain=True)

    publish(bench, [(TOPICS.link(cell), link_up(1)) for cell in stream.cells], retain=True)
    stream.send_live(stream.messages, say_down)
    bench.over()
    silent_us = now_us()
    asyncio.run(_vanish(bench, in_time))
    wait_for_arrival(bench, len(stream.messages))
    outcome = bench.check()
    ended_us = now_us()
    bench.wait_until(lambda: now_us() > _last_us(stream, early) + SILENCE_US, "evidence has ended", 40)
    for cell in (missing, early):
        assert _known_until_us(bench, cell) == _last_us(stream, cell) + SILENCE_US, cell
    assert silent_us <= _known_until_us(bench, in_time) <= ended_us
    return outcome


@fault("stream", "retained links come again at 5 new subscriptions")
def _links_again(bench: Bench) -> Outcome:
    """Two controllers have left and are down: that stays as it was. The third is up, and goes on afterwards."""
    relay = bench.relay(bench.broker.port)
    stream = _until_now(bench, broker=relay.url)
    gone, third = stream.cells[:2], stream.cells[2]
    rest = [one for one in stream.messages if one.cell == third][-200:]
    first = [one for one in stream.messages if one not in rest]
    stream.send(first)
    publish(bench, [(TOPICS.link(cell), link_up(1)) for cell in stream.cells], retain=True)
    publish(bench, [(TOPICS.link(cell), link_down()) for cell in gone], retain=True)
    bench.wait_until(
        lambda: _links(bench) == {cell: "down" if cell in gone else "up" for cell in stream.cells}, "links"
    )
    wait_for_arrival(bench, len(first))
    ended_us = {cell: _known_until_us(bench, cell) for cell in gone}
    for number in range(5):
        _subscribe_anew(bench, relay if number < 3 else None)
    assert {cell: _known_until_us(bench, cell) for cell in gone} == ended_us
    assert all(ended < _last_us(stream, cell) + SILENCE_US for cell, ended in ended_us.items())
    stream.send(rest)
    bench.over()
    return bench.check()


def _subscribe_anew(bench: Bench, relay: Relay | None) -> None:
    """Cut the service off, or else restart it, and wait until the broker has told it the retained links again."""
    told = _told_at(bench)
    if relay is not None:
        relay.cut()
    else:
        bench.service.stop()
        bench.service.start()
    bench.wait_until(lambda: _again(_told_at(bench), told), "the retained links have come again")


def _cells(bench: Bench) -> list[dict[str, Any]]:
    lines = [line for site in bench.service.get("/v1/units")["sites"] for line in site["lines"]]
    return [cell for line in lines for cell in line["cells"]]


def _links(bench: Bench) -> dict[str, str]:
    return {cell["unit"]: cell["link"] for cell in _cells(bench)}


def _told_at(bench: Bench) -> list[str]:
    """Return when each cell's link was told last."""
    return [cell["link_since"] for cell in _cells(bench)]


def _again(now: list[str], before: list[str]) -> bool:
    return all(one > other for one, other in zip(now, before, strict=True))
