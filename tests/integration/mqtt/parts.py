"""What the tests of the MQTT adapter share: an intake that remembers, waiting on a condition, running for a while."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.errors import StoreUnavailable
from zoneledger_mqtt.connection import parse_broker_url
from zoneledger_mqtt.subscriber import Session, Subscriber
from zoneledger_mqtt.topics import Topics
from zoneledger_mqtt.window import Backoff

CELL = "harbour/wing-1/cell-1"
OTHER_CELL = "harbour/wing-1/cell-2"


class RecordingIntake:
    """Remembers deliveries in the order in which it kept them; fails and holds its answers back when told."""

    def __init__(self) -> None:
        self.asked: list[Delivery] = []
        self.kept: list[Delivery] = []
        self.failures: list[Exception] = []
        self.down = False
        self.answering = asyncio.Event()
        self.answering.set()

    async def record(self, delivery: Delivery) -> Receipt:
        self.asked.append(delivery)
        await self.answering.wait()
        if self.down:
            raise StoreUnavailable("no answer")
        if self.failures:
            raise self.failures.pop()
        self.kept.append(delivery)
        return Receipt(stored=1)

    def payloads(self, cell: str = CELL) -> list[bytes]:
        """Return what was kept of a cell's events."""
        return [one.payload for one in self.kept if one.cell == cell and one.kind == "events"]


def numbered(count: int, start: int = 0) -> list[bytes]:
    """Return payloads that tell their place."""
    return [b"%d" % number for number in range(start, start + count)]


async def until(holds: Callable[[], bool], what: str, deadline_s: float = 15.0) -> None:
    """Return once `holds` does; fail with `what` after the deadline."""
    loop = asyncio.get_running_loop()
    end_s = loop.time() + deadline_s
    while not holds():
        assert loop.time() < end_s, f"not within {deadline_s:g} s: {what}"
        await asyncio.sleep(0.005)


def session_of(root: str, receive_maximum: int = 2000) -> Session:
    """Return the session of the service that listens under this root."""
    return Session(f"service-{root.replace('/', '-')}", receive_maximum, expiry_s=600)


def subscriber(url: str, intake: RecordingIntake, root: str, *, receive_maximum: int = 2000) -> Subscriber:
    """Return a subscriber with a session of its own under a root of its own, quick to connect again."""
    session = session_of(root, receive_maximum)
    return Subscriber(
        parse_broker_url(url),
        intake,
        topics=Topics(root),
        session=session,
        backoff=Backoff(first_s=0.02, longest_s=0.2),
    )


@asynccontextmanager
async def running(listener: Subscriber) -> AsyncIterator[Subscriber]:
    """Run a subscriber, ready when the context begins, and stop it as the service does."""
    task = asyncio.create_task(listener.run())
    try:
        await until(lambda: listener.ready, "subscribed")
        yield listener
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
