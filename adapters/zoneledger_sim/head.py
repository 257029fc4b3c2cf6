"""The one head of a cell, which serves its zones in the order in which they asked."""

from collections import deque
from random import Random

from simpy import Environment, Event

from zoneledger_sim.durations import Duration
from zoneledger_sim.worker import Steps, Worker


class Head:
    """A head that stands at one zone and takes `transfer` to get to another.

    Released with nobody waiting, it goes on to the next zone at once, so that the way there is over by the time that
    zone is loaded.
    """

    def __init__(self, env: Environment, zones: tuple[str, ...], transfer: Duration, rng: Random) -> None:
        self._env = env
        self._zones = zones
        self._transfer = transfer
        self._rng = rng
        self._zone = zones[0]
        self._is_free = False
        self._queue: deque[tuple[str, Event]] = deque()
        self._asked = env.event()
        self._released = env.event()
        self.worker = Worker(env)
        self.worker.start(self._life())

    def is_ready_for(self, zone: str) -> bool:
        """Whether `zone` would get the head without waiting."""
        return self._is_free and self._zone == zone and not self._queue

    def ask(self, zone: str) -> Event:
        """Return what happens when the head has come to `zone` and is its own until `release`."""
        granted = self._env.event()
        self._queue.append((zone, granted))
        if not self._asked.triggered:
            self._asked.succeed()
        return granted

    def release(self) -> None:
        """Give the head back."""
        self._released.succeed()

    def _life(self) -> Steps:
        while True:
            if not self._queue:
                self._asked = self._env.event()
                self._is_free = True
                yield self._asked
                self._is_free = False
            zone, granted = self._queue.popleft()
            yield from self._move(zone)
            self._released = self._env.event()
            granted.succeed()
            yield self._released
            if not self._queue:
                yield from self._move(self._next_zone())

    def _move(self, zone: str) -> Steps:
        if zone != self._zone:
            yield from self.worker.work(self._transfer.draw_us(self._rng))
            self._zone = zone

    def _next_zone(self) -> str:
        return self._zones[(self._zones.index(self._zone) + 1) % len(self._zones)]
