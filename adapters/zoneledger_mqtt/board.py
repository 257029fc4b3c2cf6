"""What is to stand on the broker: the latest payload of each topic, which of them the broker does not have yet, and since when."""

import asyncio
from collections.abc import Mapping
from typing import NamedTuple

#: A topic is not told more often than this.
PACE_S = 1.0


class Due(NamedTuple):
    """What is to be published now, by topic, an empty payload to clear it; and when something else is due, None: nothing is."""

    messages: dict[str, bytes]
    next_s: float | None


class Board:
    """The latest payload of each topic, and nothing before it: so much memory as there are topics, however long nobody takes them.

    `news` is set where something may be due. Instants are of the loop's clock.
    """

    def __init__(self) -> None:
        self.news = asyncio.Event()
        self._wanted: dict[str, bytes] = {}
        self._there: dict[str, bytes] = {}
        self._told_s: dict[str, float] = {}
        self._open: set[str] = set()
        self._filled: set[str] = set()
        self._disputed: set[str] = set()

    def put(self, topic: str, payload: bytes) -> None:
        """Let a topic hold a payload from now on."""
        if self._wanted.get(topic) != payload:
            self._wanted[topic] = payload
            self._note(topic)

    def replace(self, ending: str, wanted: Mapping[str, bytes]) -> None:
        """Let exactly these topics be there of those that end so: what else was put, or found, is cleared."""
        self._filled.add(ending)
        known = self._wanted.keys() | self._there.keys()
        for topic in [one for one in known if one.endswith(ending) and one not in wanted]:
            self._wanted.pop(topic, None)
            self._note(topic)
        for topic, payload in wanted.items():
            self.put(topic, payload)

    def found(self, topic: str, payload: bytes) -> None:
        """Note what the broker holds from earlier: it is cleared where nothing is to be there, once that is known."""
        if topic not in self._wanted:
            self._there[topic] = payload
            if topic.endswith(tuple(self._filled)):
                self._note(topic)

    def overwritten(self, topic: str, payload: bytes) -> None:
        """Note that somebody put something on a topic: where it is not what is to be there, that is told again."""
        if self._wanted.get(topic, payload) != payload:
            self._there[topic] = payload
            self._disputed.add(topic)
            self._note(topic)

    def begin(self, last: str) -> None:
        """Take nothing for told: on a new connection nobody knows what the broker still holds. `last` is put again after the rest."""
        self._wanted.pop(last, None)
        self._there, self._told_s = {}, {}
        self._open, self._disputed = set(self._wanted), set()
        self.news.set()

    def due(self, now_s: float) -> Due:
        """Return what is to be told now, and when the rest is."""
        messages: dict[str, bytes] = {}
        next_s = None
        for topic in list(self._open):
            payload = self._wanted.get(topic, b"")
            if payload == self._there.get(topic, b""):
                self._open.discard(topic)
            elif (due_s := self._told_s.get(topic, now_s - PACE_S) + PACE_S) <= now_s:
                messages[topic] = payload
                self._disputed.discard(topic)
            else:
                next_s = due_s if next_s is None else min(next_s, due_s)
        return Due(messages, next_s)

    def told(self, topic: str, payload: bytes, now_s: float) -> None:
        """Note that the broker has a payload, unless somebody has put another one there since it was due."""
        if payload:
            self._told_s[topic] = now_s
            if topic not in self._disputed:
                self._there[topic] = payload
        else:
            self._there.pop(topic, None)
            self._told_s.pop(topic, None)

    def _note(self, topic: str) -> None:
        self._open.add(topic)
        self.news.set()
