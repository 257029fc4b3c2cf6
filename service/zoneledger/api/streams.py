"""The live streams: each update is encoded once, as a server-sent event (WHATWG HTML, section 9.2), and sent to all who listen.

The last updates are kept, and each stream has its place among them. So a client may go on where it was, none has a queue of
its own that could grow, and one that reads too slowly loses its place, and is told so.
"""

import asyncio
import random
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

from zoneledger.api.problems import ApiError
from zoneledger.api.standing import standing
from zoneledger.api.times import rfc3339_or_none
from zoneledger.application.ascii_json import ascii_json
from zoneledger.application.giving_way import giving_way
from zoneledger.application.updates import FiguresChanged, PlantChanged, StateChanged, Update

#: How many updates are kept at least; at most twice as many.
KEPT = 10_000
#: About how much is handed to a client at once: whoever reads nothing holds no more than this beside the server's buffers.
CHUNK_BYTES = 32_768
CHUNKS_KEPT = 64
#: How many streams send before others have their turn.
STREAMS_AT_ONCE = 50
#: How long nothing is sent after something was, for each stream: a few times what it costs, as messages are taken in meanwhile.
REST_S = 0.0002
#: It is no longer than this, however many listen: more of it is not owed. And so long where nobody listens.
LONGEST_REST_S = 0.5
#: So much of it may be owed: what changes now and then is sent at once, to however many, and only of a storm is it kept.
OWED_S = 0.5
#: How long figures wait for others to be told with them, for each stream beyond so many, and at most: states never do.
FIGURES_WAIT_S, MANY, LONGEST_FIGURES_WAIT_S = 0.001, 100, 1.0
#: How often something is sent at least, as proxies end connections that are silent for long.
HEARTBEAT_S = 15.0
#: When clients connect again after a stream has ended, in ms: not all at once.
RETRY_MS = (1_000, 5_000)

BEGINS = "the stream begins here"
NOT_KEPT = "what came after the last event that you have is not kept, or not by this process"
STOPS, OVER = "the service stops", "what you began it with is good no more"
TOO_SLOW = "you read too slowly, and events were passed over"


Units = tuple[str, ...]
"""The paths of the units that a stream tells of, each with a / at its end; an empty path: of all units."""


class _Kept(NamedTuple):
    """An update as it is sent, and the unit that it concerns, with a / at its end; an empty one concerns all.

    `whole` tells that it concerns what lies under the unit, too.
    """

    text: bytes
    unit: str
    whole: bool

    def concerns(self, units: Units) -> bool:
        return self.unit.startswith(units) or (self.whole and any(unit.startswith(self.unit) for unit in units))


class Streams:
    """At most so many live streams, and the updates that they send; `tell` takes these in."""

    def __init__(self, most: int = 1000) -> None:
        self._most = most
        self._process = secrets.token_hex(4)
        self._kept: list[_Kept] = []
        self._first = 1
        self._chunks: dict[tuple[int, Units], tuple[bytes, int]] = {}
        self._listening: set[asyncio.Event] = set()
        self._heartbeat_s = 0.0
        self._rested_s = 0.0
        self._figures: dict[str, FiguresChanged] = {}
        self._figures_s = 0.0
        self.ended = False

    @property
    def open(self) -> int:
        """How many streams are open."""
        return len(self._listening)

    @property
    def _last(self) -> int:
        return self._first + len(self._kept) - 1

    @contextmanager
    def listening(self) -> Iterator[asyncio.Event]:
        """Open a stream: yield what is set whenever there is something new. Raises ApiError where too many are open."""
        if len(self._listening) >= self._most:
            raise ApiError("busy", f"{self._most} live streams are open, and no more may be.")
        news = asyncio.Event()
        self._listening.add(news)
        try:
            yield news
        finally:
            self._listening.discard(news)

    def begin(self, last_event_id: str | None) -> tuple[bytes, int]:
        """Return how a stream begins, and the number of the update that it goes on after."""
        retry = b"retry: %d\n\n" % random.randint(*RETRY_MS)
        process, _, number = (last_event_id or "").partition("-")
        if process == self._process and number.isdecimal() and len(number) < 20:
            place = int(number)
            if self._first - 1 <= place <= self._last:
                return retry, place
        text, place = self._anew(NOT_KEPT if last_event_id else BEGINS)
        return retry + text, place

    def _anew(self, detail: str) -> tuple[bytes, int]:
        return _event(f"{self._process}-{self._last}", "anew", {"detail": detail}), self._last

    def after(self, number: int, units: Units) -> tuple[bytes, int]:
        """Return what concerns some units of the updates after one, some if there are many, and the number of the last of them."""
        if number < self._first - 1:
            return self._anew(TOO_SLOW)
        if (number, units) not in self._chunks:
            if len(self._chunks) >= CHUNKS_KEPT:
                self._chunks.clear()
            self._chunks[number, units] = self._chunk(number, units)
        return self._chunks[number, units]

    def _chunk(self, number: int, units: Units) -> tuple[bytes, int]:
        texts, size = list[bytes](), 0
        while number < self._last and size < CHUNK_BYTES:
            number += 1
            kept = self._kept[number - self._first]
            if kept.concerns(units):
                texts.append(kept.text)
                size += len(kept.text)
        return b"".join(texts), number

    async def tell(self, updates: Sequence[Update]) -> float:
        """Take updates in, none of them now and then, and let all streams send them; return for how long no more should come."""
        last, now_s = self._last, asyncio.get_running_loop().time()
        for update in updates:
            if isinstance(update, FiguresChanged):
                self._figures[update.cell] = update
            else:
                self._keep(*_told(update))
        self._keep_figures(now_s)
        if now_s - self._heartbeat_s >= HEARTBEAT_S:
            self._heartbeat_s = now_s
            self._keep(None, {}, "", whole=True)
        if not self._listening:
            return LONGEST_REST_S
        if self._last == last:
            return 0.0
        async for news in giving_way(list(self._listening), STREAMS_AT_ONCE):
            news.set()
        await asyncio.sleep(0)
        now_s = asyncio.get_running_loop().time()
        owed_s = max(self._rested_s - now_s, 0.0) + REST_S * len(self._listening)
        self._rested_s = now_s + min(owed_s, OWED_S + LONGEST_REST_S)
        return min(max(owed_s - OWED_S, 0.0), LONGEST_REST_S)

    def _keep_figures(self, now_s: float) -> None:
        """Take in what figures have changed, unless the last time that some were is too short ago for how many listen."""
        if self._figures and now_s >= self._figures_s:
            for update in self._figures.values():
                self._keep(*_told(update))
            self._figures.clear()
            wait_s = FIGURES_WAIT_S * (len(self._listening) - MANY)
            self._figures_s = now_s + min(max(wait_s, 0.0), LONGEST_FIGURES_WAIT_S)

    def _keep(self, name: str | None, fields: dict[str, Any], unit: str, whole: bool) -> None:
        number = f"{self._process}-{self._last + 1}"
        text = _event(number, name, fields) if name else b": \nid: %s\n\n" % number.encode()
        self._kept.append(_Kept(text, unit, whole))
        self._chunks.clear()
        if len(self._kept) >= 2 * KEPT:
            del self._kept[:KEPT]
            self._first += KEPT

    def end(self) -> None:
        """End all streams, and let none begin."""
        self.ended = True
        for news in self._listening:
            news.set()


def _told(update: Update) -> tuple[str, dict[str, Any], str, bool]:
    """Return an update's name and fields, the unit that it concerns, and whether it concerns all that lies under it."""
    match update:
        case StateChanged(unit, present):
            return "state", standing(unit, present), f"{unit}/", False
        case FiguresChanged(cell, last_message_us):
            return "figures", {"unit": cell, "last_message": rfc3339_or_none(last_message_us)}, f"{cell}/", True
        case PlantChanged(version):
            return "plant", {"plant_version": version}, "", True


def _event(number: str, name: str, fields: dict[str, Any]) -> bytes:
    return f"id: {number}\nevent: {name}\ndata: {ascii_json(fields)}\n\n".encode()


def end_event(detail: str = STOPS) -> bytes:
    """Return the last event of a stream that the service ends, and why."""
    return f"event: end\ndata: {ascii_json({'detail': detail})}\n\n".encode()
