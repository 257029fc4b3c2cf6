"""Faults of the broker, and of the network between it and the service."""

import random
import time
from collections.abc import Callable

from tests.faults.bench import Bench
from tests.faults.checking import Outcome
from tests.faults.sending import HOUR_US
from tests.faults.table import fault
from tests.servers.relay import Relay


@fault("broker", "restart with its sessions, 3 times", short=("sqlite",))
def _restarted(bench: Bench) -> Outcome:
    bench.serve()
    with bench.sending():
        for _ in range(bench.times(3)):
            bench.wait_for_events(300)
            bench.broker.stop()
            bench.broker.start()
    return bench.check()


@fault("broker", "kill -9: what came since its last save is lost")
def _crashed(bench: Bench) -> Outcome:
    """While the service is away the broker alone has the messages: those of its last five seconds go with it."""
    service = bench.serve()
    with bench.sending():
        service.stop()
        time.sleep(8)
        bench.broker.kill()
        bench.broker.start()
        bench.over()
        service.start()
        bench.wait_for_events(300)
    return bench.check(broker_loses=True)


@fault("broker", "restart without its sessions")
def _forgotten(bench: Bench) -> Outcome:
    service = bench.serve()
    with bench.sending():
        service.stop()
        time.sleep(4)
        bench.broker.stop()
        bench.broker.forget()
        bench.broker.start()
        bench.over()
        service.start()
        bench.wait_for_events(300)
    return bench.check(broker_loses=True)


@fault("broker", "down while the cells store and forward")
def _released_at_once(bench: Bench) -> Outcome:
    """180,000 events wait at the cells, and come at once when the broker does."""
    bench.serve(cells=30, pace=None, array=1000, ago_us=7 * HOUR_US)
    bench.broker.stop()
    with bench.cells() as cells:
        time.sleep(5)
        bench.broker.start()
        bench.over()
        cells.wait()
    return bench.check(wait_s=300)


@fault("broker", "the service is away while an hour of messages queues")
def _away(bench: Bench) -> Outcome:
    service = bench.serve(cells=30, pace=None, ago_us=HOUR_US + 600_000_000)
    service.stop()
    with bench.cells() as cells:
        cells.wait()
        bench.over()
        service.start("live")
    return bench.check(wait_s=300)


def _through_a_relay(trouble: Callable[[Bench, Relay], None]) -> Callable[[Bench], Outcome]:
    def commit(bench: Bench) -> Outcome:
        relay = bench.relay(bench.broker.port)
        bench.serve(broker=relay.url)
        with bench.sending():
            trouble(bench, relay)
        return bench.check()

    return commit


def _again_and_again(each: Callable[[Relay], None]) -> Callable[[Bench, Relay], None]:
    def trouble(bench: Bench, relay: Relay) -> None:
        rng = random.Random(bench.seed)
        for _ in range(bench.times(10)):
            time.sleep(rng.uniform(0.1, 1.0))
            each(relay)

    return trouble


def _half_open(bench: Bench, relay: Relay) -> None:
    """The broker and the service each believe in a connection that passes nothing, until the keepalive tells them."""
    before = relay.accepted
    relay.half_open()
    bench.wait_until(lambda: relay.accepted > before, "the dead link is noticed", 50)
    bench.over()


def _held(bench: Bench, relay: Relay) -> None:
    relay.pause()
    time.sleep(5)
    relay.resume()


def _refused(bench: Bench, relay: Relay) -> None:
    relay.refuse()
    relay.cut()
    time.sleep(5)
    relay.accept()


def _slow(bench: Bench, relay: Relay) -> None:
    relay.delay(0.15, 0.1)
    time.sleep(10)
    relay.delay(0)


fault("broker", "half-open connection")(_through_a_relay(_half_open))
fault("broker", "flapping link, cut 10 times", short=("sqlite",))(_through_a_relay(_again_and_again(Relay.cut)))
fault("broker", "TCP reset 10 times")(_through_a_relay(_again_and_again(Relay.reset)))
fault("broker", "the link holds its bytes for 5 s")(_through_a_relay(_held))
fault("broker", "connections refused for 5 s")(_through_a_relay(_refused))
fault("broker", "latency of 50 to 250 ms for 10 s")(_through_a_relay(_slow))


@fault("broker", "the cells' link flaps, cut 10 times")
def _cells_cut(bench: Bench) -> Outcome:
    relay = bench.relay(bench.broker.port)
    bench.serve(sender_broker=relay.url)
    with bench.sending():
        _again_and_again(Relay.cut)(bench, relay)
    return bench.check()


@fault("broker", "credentials revoked for 5 s, then right again")
def _revoked(bench: Bench) -> Outcome:
    accounts = {"cells": "first", "service": "second"}
    bench.broker.stop()
    bench.broker.admit(accounts)
    bench.broker.start()
    host = f"127.0.0.1:{bench.broker.port}"
    service = bench.serve(broker=f"mqtt://service:second@{host}", sender_broker=f"mqtt://cells:first@{host}")
    with bench.sending():
        bench.broker.admit(accounts | {"service": "another"})
        bench.wait_until(lambda: not service.is_well("ready"), "the service is thrown out")
        time.sleep(5)
        bench.broker.admit(accounts)
        bench.over()
    return bench.check()
