"""Sums settled slots of lines and cells beforehand, in the background, newest first, so that figures over them are read at once.

A pre-sum holds exactly as long as nothing changed what it was summed from: whoever changes that drops it in the same transaction
(`drop_presums`), and waits there for whoever is adding some; who adds some waits for them first (`lock_presums`), and looks then.
"""

import asyncio
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import count

from zoneledger.application.parts import read_sums, total_of
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Reading, Store
from zoneledger.application.presums import place_of
from zoneledger.application.rebuild import Clock
from zoneledger.application.stored import Presum
from zoneledger.application.totals import added, dump_total, load_total
from zoneledger.application.upkeep import keep_doing
from zoneledger.application.windows import MAX_WINDOW_US, Window
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US, day_window, local_time
from zoneledger.core.plant import Unit
from zoneledger.core.slots import slots
from zoneledger.core.spans import Interval

EVERY_S = 60.0
#: What was dropped longer ago than this is looked for once an hour only.
RECENT_US = 3 * DAY_US
#: So long after its end, and that of the evidence, a slot is summed; clocks of several processes may differ by this.
SETTLED_US = 300_000_000


@dataclass(frozen=True, slots=True)
class Presumming:
    """What pre-sums are made with, and how long nothing is done after each batch, as a multiple of what it took."""

    store: Store
    plants: Plants
    clock: Clock
    limits: Limits
    rest: float = 1.0


async def keep_presumming(presumming: Presumming) -> None:
    """Sum what is settled and not summed yet, again and again, until cancelled: of the last days, and once an hour of a year."""
    rounds = count()

    async def work() -> bool:
        await presum(presumming, RECENT_US if next(rounds) % 60 else MAX_WINDOW_US)
        return True

    await keep_doing(work, "nothing is summed beforehand", EVERY_S)


async def presum(presumming: Presumming, back_us: int) -> None:
    """Sum each settled slot of the last so many microseconds that is not summed yet, cell by cell and then by line."""
    async with presumming.store.reading() as reading:
        declared = await presumming.plants.present(reading)
    for line in declared.plant:
        if line.level == "line" and line.cells:
            await _Line(presumming, declared.version, line).presum(back_us)


async def count_behind(presumming: Presumming, back_us: int) -> int:
    """Return how many settled slots of the last so many microseconds are not summed yet, of lines and cells."""
    async with presumming.store.reading() as reading:
        declared = await presumming.plants.present(reading)
    lines = [line for line in declared.plant if line.level == "line" and line.cells]
    return sum([await _Line(presumming, declared.version, line).behind(back_us) for line in lines])


class _Line:
    """A line of a version of the plant model, while it is pre-summed."""

    def __init__(self, presumming: Presumming, version: int, line: Unit) -> None:
        self._with = presumming
        self._version = version
        self._line = line
        self._now_us = presumming.clock()

    async def presum(self, back_us: int) -> None:
        """Sum what is not summed yet, day by day, the newest first, from when the ledger begins at the earliest."""
        for day in await self._settled_days(back_us):
            await self._presum_day(day)

    async def behind(self, back_us: int) -> int:
        """Return how many slots that are to be summed, of the line and its cells, are not."""
        places = [place_of(unit)[1] for unit in (*self._line.cells, self._line)]
        number = 0
        for day in await self._settled_days(back_us):
            there = await self._there(day) if day else set()
            number += sum((cell, slot[0]) not in there for slot in day for cell in places)
        return number

    async def _settled_days(self, back_us: int) -> list[list[Interval]]:
        """Return the slots that are to be summed, by day, the newest first."""
        cells = [cell.path for cell in self._line.cells]
        async with self._with.store.reading() as reading:
            begun_us = await reading.begun_us(cells)
            kept = [head.ledger_from_us for head in (await reading.heads(cells)).values()]
        if begun_us is None:
            return []
        kept_us = max((us for us in kept if us is not None), default=None)
        since_us = max(begun_us, self._now_us - back_us)
        # What begins before the ledger that is kept, or with it, has lost fasteners, or is losing them now.
        return [[slot for slot in day if kept_us is None or slot[0] > kept_us] for day in self._days(since_us)]

    def _days(self, since_us: int) -> Iterator[list[Interval]]:
        """Return the settled slots of each day, the newest day first."""
        line, tz = self._line.line, self._line.tz
        assert line is not None
        settled_us = self._now_us - self._with.limits.silence_us - SETTLED_US
        day = local_time(self._now_us, tz).date() + timedelta(days=1)
        while day_window(tz, day)[1] > since_us:
            yield [slot for slot in slots(line, tz, *day_window(tz, day)) if slot[1] <= settled_us]
            day -= timedelta(days=1)

    async def _presum_day(self, day: Sequence[Interval]) -> None:
        if not day:
            return
        there = await self._there(day)
        for unit in (*self._line.cells, self._line):
            cell = place_of(unit)[1]
            if missing := [slot for slot in day if (cell, slot[0]) not in there]:
                began_s = asyncio.get_running_loop().time()
                await self._add(unit, missing)
                # Messages are taken in meanwhile.
                await asyncio.sleep(self._with.rest * (asyncio.get_running_loop().time() - began_s))

    async def _there(self, day: Sequence[Interval]) -> set[tuple[str, int]]:
        async with self._with.store.reading() as reading:
            return await reading.presummed(self._line.path, day[0][0], day[-1][1])

    async def _add(self, unit: Unit, missing: Sequence[Interval]) -> None:
        """Sum slots of the line or one of its cells, unless the plant model is another one by now."""
        async with self._with.store.writing() as writing:
            await writing.lock_presums()
            async with self._with.store.reading() as reading:  # it sees all that was changed before the lock was had
                if (await self._with.plants.present(reading)).version != self._version:
                    return
                await writing.put_presums(await self._summed(reading, unit, missing))

    async def _summed(self, reading: Reading, unit: Unit, missing: Sequence[Interval]) -> list[Presum]:
        if unit.level == "line":
            return await self._summed_cells(reading, missing)
        sums = await read_sums(reading, unit, [Window(*slot) for slot in missing], self._now_us, self._with.limits)
        kept_us = max((head.ledger_from_us or 0 for head in sums.heads.values()), default=0)
        found = [(slot, total_of(unit, part)) for slot, part in zip(missing, sums.parts, strict=True)]
        return [Presum(*place_of(unit), *slot, dump_total(total)) for slot, total in found if slot[0] > kept_us]

    async def _summed_cells(self, reading: Reading, missing: Sequence[Interval]) -> list[Presum]:
        """Add up the pre-sums of the line's cells, where all of them have one."""
        by_slot: dict[Interval, dict[str, str]] = {slot: {} for slot in missing}
        for cell in self._line.cells:
            for row in await reading.presums(*place_of(cell), missing[0][0], missing[-1][1]):
                by_slot.get((row.start_us, row.end_us), {})[row.cell] = row.total
        found = []
        for slot, cells in by_slot.items():
            if len(cells) == len(self._line.cells):
                total = added(load_total(text) for text in cells.values())
                total.zones = {}
                found.append(Presum(*place_of(self._line), *slot, dump_total(total)))
        return found
