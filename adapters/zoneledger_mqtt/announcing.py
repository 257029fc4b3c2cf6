"""Publishes the present state and the shift's figures of every unit: puts them on a board, and has it kept on the broker."""

import asyncio
import contextlib
import logging
from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import NamedTuple, TypeVar

from zoneledger.api.aside import Aside
from zoneledger.application.shift_figures import UnitFigures, changes_of, read_shift_figures
from zoneledger.application.updates import PlantChanged, StateChanged, Update
from zoneledger.application.windows import Window, shifts_around
from zoneledger.bootstrap import Service
from zoneledger.core.errors import ZoneledgerError
from zoneledger.core.plant import Plant, Unit
from zoneledger_mqtt.announcements import SHIFT, STATE, OwnTopics, is_only_later, shift_payloads, state_payload
from zoneledger_mqtt.announcer import Announcer
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import BrokerAddress

log = logging.getLogger(__name__)

T = TypeVar("T")

#: How often figures are read, and how long they are not after they were, as a multiple of what that took.
FIGURES_S, REST = 5.0, 3.0
#: How often it is looked whether anything has changed of shifts that are over.
LAST_S = 60.0
#: What differs only in up to when it was read is not put more often.
AS_OF_S = 60.0
#: How long is waited for the first figures before states are published without them.
FIRST_FIGURES_S = 10.0
#: How long after a failure it begins anew.
AGAIN_S = 5.0


class _Over(NamedTuple):
    """The figures of a line's last shift; they hold while as many changes bear on it, and once it was settled."""

    line: Unit
    window: Window
    changes: int
    settled: bool
    figures: list[UnitFigures]
    looked_s: float


class _Shift(NamedTuple):
    """What was last put of a unit's shifts, and when."""

    payload: bytes
    put_s: float


class Announcing:
    """What is published of a service: `run` does the work while this process is the one to do it, `hear` takes in what changes."""

    def __init__(
        self, service: Service, aside: Aside, address: BrokerAddress, topics: OwnTopics, client_id: str
    ) -> None:
        self._service = service
        self._aside = aside
        self._address = address
        self._topics = topics
        self._client_id = client_id
        self._board: Board | None = None
        self._announcer: Announcer | None = None
        self._over: dict[str, _Over] = {}
        self._lines: dict[str, dict[str, bytes]] = {}
        self._shifts: dict[str, _Shift] = {}
        self._failing: dict[str, str] = {}
        self._anew = asyncio.Event()

    @property
    def connected(self) -> bool:
        """Whether the broker is connected and takes what this process publishes."""
        return self._announcer is not None and self._announcer.connected

    def hear(self, updates: Sequence[Update]) -> None:
        """Take in what has changed; costs next to nothing, and waits for nobody."""
        if self._board is None:
            return
        for update in updates:
            if isinstance(update, StateChanged):
                self._board.put(self._topics.state(update.unit), state_payload(*update))
            elif isinstance(update, PlantChanged):
                self._anew.set()

    async def run(self) -> None:
        """Publish until cancelled; whatever fails begins anew."""
        while True:
            try:
                await self._run_once()
            except Exception:
                log.exception("publishing failed; it begins anew")
            await asyncio.sleep(AGAIN_S)

    async def _run_once(self) -> None:
        board = Board()
        try:
            await self._put_states(board)
            self._board = board
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(FIRST_FIGURES_S):
                    await self._put_figures(board)
            announcer = self._announcer = Announcer(self._address, self._topics, self._client_id, board)
            async with asyncio.TaskGroup() as group:
                group.create_task(announcer.run())
                group.create_task(self._keep_states(board))
                group.create_task(self._keep_figures(board))
        finally:
            self._board = self._announcer = None

    async def _keep_states(self, board: Board) -> None:
        """Put the states of all units anew whenever the plant model may be another one: what has left it is cleared."""
        while True:
            await self._anew.wait()
            self._anew.clear()
            await self._put_states(board)

    async def _put_states(self, board: Board) -> None:
        cells = None
        while cells is None:
            await self._service.live.looked.wait()
            cells = self._service.live.now()
        units = [each for cell in cells for each in cell.present.items()]
        board.replace(STATE, {self._topics.state(unit): state_payload(unit, present) for unit, present in units})

    async def _keep_figures(self, board: Board) -> None:
        loop = asyncio.get_running_loop()
        while True:
            began_s = loop.time()
            await self._put_figures(board)
            await asyncio.sleep(max(FIGURES_S, REST * (loop.time() - began_s)))

    async def _put_figures(self, board: Board) -> None:
        """Put the figures of all lines, read aside; those of a line that cannot be read stay as they were."""
        plant = await self._done("the plant model", self._plant)
        if plant is None:
            return
        lines = {unit.path: unit for unit in plant if unit.level == "line" and unit.line and unit.line.shifts}
        self._over = {path: over for path, over in self._over.items() if path in lines}
        self._lines = {path: payloads for path, payloads in self._lines.items() if path in lines}
        for path, line in lines.items():
            payloads = await self._done(f"the figures of {path}", partial(self._read, plant, line))
            if payloads is not None:
                self._lines[path] = payloads
        self._put_shifts(board, whole=self._lines.keys() == lines.keys())

    async def _done(self, name: str, work: Callable[[], Awaitable[T]]) -> T | None:
        """Do a work aside and return what it came to, None where it failed; a change of that is logged."""
        try:
            found = await self._aside.do(work)
        except ZoneledgerError as error:
            if self._failing.get(name) != (told := str(error)):
                self._failing[name] = told
                log.warning("%s cannot be read, and what is published stays as it was: %s", name, told)
            return None
        if self._failing.pop(name, None) is not None:
            log.info("%s can be read again", name)
        return found

    def _put_shifts(self, board: Board, *, whole: bool) -> None:
        """Put what was read; where a line never was, nothing is cleared, as what stands there may be of it."""
        now_s, before, self._shifts = asyncio.get_running_loop().time(), self._shifts, {}
        for payloads in self._lines.values():
            for unit, payload in payloads.items():
                topic = self._topics.shift(unit)
                one = before.get(topic)
                if one is None or now_s - one.put_s >= AS_OF_S or not is_only_later(payload, one.payload):
                    one = _Shift(payload, now_s)
                self._shifts[topic] = one
                board.put(topic, one.payload)
        if whole:
            board.replace(SHIFT, {topic: one.payload for topic, one in self._shifts.items()})

    async def _plant(self) -> Plant:
        service = self._aside.service
        async with service.store.reading() as reading:
            return (await service.plants.present(reading)).plant

    async def _read(self, plant: Plant, line: Unit) -> dict[str, bytes]:
        """Return what is to be told of a line and all that lies under it, by unit; runs aside."""
        service = self._aside.service
        now_us, now_s = service.now_us(), asyncio.get_running_loop().time()
        around = shifts_around(line, now_us)
        present, last = around.lasting, around.ended
        found: list[UnitFigures] = []
        async with service.store.reading() as reading:
            if present is not None:
                found = await read_shift_figures(reading, plant, line, present, now_us, service.limits)
            over = self._over.get(line.path)
            if last is None:
                return shift_payloads(found, [])
            if over is None or over.line is not line or over.window != last or now_s - over.looked_s >= LAST_S:
                changes, settled = await changes_of(reading, line, last), self._is_settled(last, now_us)
                if over is None or over[:4] != (line, last, changes, True):
                    figures = await read_shift_figures(reading, plant, line, last, now_us, service.limits)
                    over = _Over(line, last, changes, settled, figures, now_s)
                self._over[line.path] = over = over._replace(looked_s=now_s)
        return shift_payloads(found, over.figures)

    def _is_settled(self, window: Window, now_us: int) -> bool:
        return window.stage(now_us, self._service.limits.silence_us) == "settled"
