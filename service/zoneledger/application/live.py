"""Follows the present of every cell and tells what of it changes: what this process commits at once, what others commit soon."""

import asyncio
import logging
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from heapq import heappop, heappush
from itertools import islice
from typing import NamedTuple

from zoneledger.application.followed import FollowedCell, Seen
from zoneledger.application.given import path_of
from zoneledger.application.plants import DeclaredPlant, Plants
from zoneledger.application.ports import Store
from zoneledger.application.stored import Head
from zoneledger.application.units import NEVER_KNOWN, Moments, Present
from zoneledger.application.updates import PlantChanged, Tell, Update
from zoneledger.core.errors import StoreUnavailable
from zoneledger.core.plant import Unit
from zoneledger.core.shifts import in_shift

log = logging.getLogger(__name__)

#: How often the store is looked into for what other processes have committed.
LOOK_S = 0.5
#: How many cells are read, or told of, without a pause for others.
CELLS_AT_ONCE = 100
#: How long nothing is looked at after something was, as a multiple of what that took: messages are taken in meanwhile.
REST = 3
#: How long a stop waits for a look into the store to end.
STOP_S = 5.0
#: How long after a failure it begins anew.
AGAIN_S = 1.0


class CellNow(NamedTuple):
    """A cell of the plant model as it is now: of itself and its zones, and its controller's link, `up`, `down` or never told.

    `in_shift` is false before the cell belongs to its line, too; `booked_us` is None where nothing ever came of it.
    """

    cell: str
    in_shift: bool
    booked_us: int | None
    link: str | None
    present: dict[str, Present]


class Live:
    """What is told is the latest: a state that is over before it could be told is passed over. `run` does the work.

    `looked` is set while every cell of the plant model was looked at.
    """

    def __init__(self, store: Store, plants: Plants, now_us: Callable[[], int], moments: Moments) -> None:
        self._store = store
        self._plants = plants
        self._now_us = now_us
        self._moments = moments
        self._version: int | None = None
        self._cells: dict[str, FollowedCell] = {}
        self._units: dict[str, Unit] = {}
        self._waiting: list[Update] = []
        self._changed: dict[str, Seen] = {}
        self._due: list[tuple[int, str]] = []
        self._looks = self._began = 0
        self.looked = asyncio.Event()
        self._wake = asyncio.Event()

    def note(self, heads: Iterable[Head]) -> None:
        """Take heads as this process has just committed them."""
        for head in heads:
            cell = self._cells.get(head.cell)
            if cell is not None:  # else the next look into the store will find it
                cell.noted = self._looks
                self._take(cell, head)

    def now(self) -> list[CellNow] | None:
        """Return how every cell is now, told already or not; None before all of them were looked at."""
        if not self.looked.is_set():
            return None
        now_us = self._now_us()
        lines = {unit.line_path: (unit.line, unit.tz) for unit in self._units.values()}
        lasts = {path: line is not None and in_shift(line, tz, now_us) for path, (line, tz) in lines.items()}
        return [self._now(cell, lasts, now_us) for cell in self._cells.values()]

    def _now(self, cell: FollowedCell, lasts: Mapping[str | None, bool], now_us: int) -> CellNow:
        seen, booked_us, present = self._changed.get(cell.path, cell.seen), None, {}
        if seen is not None:
            moment = self._moments.of(cell.path, seen.booking, seen.link_down_us, now_us)
            booked_us, present = moment.booked_us, moment.present
        units = {path_of(cell.path, zone): present.get(zone, NEVER_KNOWN) for zone in ("", *cell.zones)}
        unit = self._units[cell.path]
        here = lasts[unit.line_path] and now_us >= (unit.since_us or now_us)
        return CellNow(cell.path, here, booked_us, cell.link, units)

    def _take(self, cell: FollowedCell, head: Head) -> None:
        counts, cell.link = head.counts, head.link
        numbers = counts.get("events", 0), counts.get("snapshots", 0)
        seen = Seen(head.booking, head.link_down_us, head.ledger_id, *numbers)
        if seen != self._changed.get(cell.path, cell.seen):
            self._changed[cell.path] = seen
            self._wake.set()

    async def run(self, tell: Tell) -> None:
        """Tell what changes until cancelled."""
        while True:
            both = [asyncio.ensure_future(self._look_into_store()), asyncio.ensure_future(self._tell_changes(tell))]
            try:
                ended, _ = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
                for one in ended:
                    log.error("what live streams tell has failed; all is told anew", exc_info=one.exception())
            finally:
                for one in both:
                    one.cancel()
                await asyncio.wait(both)
            await asyncio.sleep(AGAIN_S)
            self._forget()

    def _forget(self) -> None:
        """Forget what was told, as some of it may not have been: every cell is told of anew."""
        self._version, self._cells, self._changed, self._due = None, {}, {}, []
        self.looked.clear()

    async def _look_into_store(self) -> None:
        while True:
            look = asyncio.ensure_future(self._read())
            try:
                # While the store does not answer, nothing is committed; states become unknown by time alone.
                with suppress(StoreUnavailable):
                    await asyncio.shield(look)
            finally:
                # A look that is cut off would leave a connection behind that nobody closes.
                await asyncio.wait([look], timeout=STOP_S)
                look.cancel()
            await asyncio.sleep(LOOK_S)

    async def _read(self) -> None:
        async with self._store.reading() as reading:
            self._follow(await self._plants.present(reading))
        # Cells of which this process has committed something since the last look are as it knows them.
        self._looks += 1
        before, self._began = self._began, self._looks
        paths = iter([path for path, cell in self._cells.items() if cell.noted < before])
        while some := list(islice(paths, CELLS_AT_ONCE)):
            self._looks += 1
            async with self._store.reading() as reading:
                heads = await reading.heads(some)
            for head in heads.values():
                cell = self._cells.get(head.cell)
                # What was committed here while we looked is newer than what we saw.
                if cell is not None and cell.noted < self._looks:
                    self._take(cell, head)
        self.looked.set()

    def _follow(self, declared: DeclaredPlant) -> None:
        """Follow the cells of this plant model from now on."""
        if declared.version == self._version:
            return
        self._version = declared.version
        self.looked.clear()
        self._waiting.append(PlantChanged(declared.version))
        self._wake.set()
        before, self._cells = self._cells, {}
        for unit in declared.plant:
            if unit.level == "cell" and unit.cell is not None:
                known = before.get(unit.path)
                same = known is not None and known.zones == unit.cell.zones
                self._cells[unit.path] = known if known and same else FollowedCell(unit.path, unit.cell.zones)
        self._units = {unit.path: unit for unit in declared.plant if unit.level == "cell"}

    async def _tell_changes(self, tell: Tell) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await self._something()
            began_s = loop.time()
            updates = self._updates(self._now_us())
            rest_s = REST * (loop.time() - began_s)
            await asyncio.sleep(rest_s + await tell(updates))

    async def _something(self) -> None:
        """Wait until something has changed or is due, but no longer than a look into the store is apart from the next."""
        if self._changed or self._waiting:
            return
        self._wake.clear()
        due_s = (self._due[0][0] - self._now_us()) / 1e6 if self._due else LOOK_S
        with suppress(TimeoutError):
            async with asyncio.timeout(min(max(due_s, 0.0), LOOK_S)):
                await self._wake.wait()

    def _updates(self, now_us: int) -> list[Update]:
        """Return what is to be told now, of some cells if it is of many."""
        found, self._waiting = self._waiting, []
        for path in list(islice(self._changed, CELLS_AT_ONCE)):
            seen, cell = self._changed.pop(path), self._cells.get(path)
            if cell is not None:
                found += cell.take(seen, now_us, self._moments)
                self._queue(cell)
        for _ in range(CELLS_AT_ONCE):
            if not self._due or self._due[0][0] > now_us:
                break
            due_us, path = heappop(self._due)
            cell = self._cells.get(path)
            if cell is not None and cell.queued_us == due_us:
                cell.queued_us = None
                found += cell.look(now_us, self._moments)
                self._queue(cell)
        return found

    def _queue(self, cell: FollowedCell) -> None:
        """Have the cell looked at when it is due: queued once, and anew only if it is due earlier."""
        next_us = cell.next_us
        if next_us is not None and (cell.queued_us is None or next_us < cell.queued_us):
            cell.queued_us = next_us
            heappush(self._due, (next_us, cell.path))
