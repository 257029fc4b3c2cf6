"""Figures read off pre-sums are those of the ledger, whatever happens between: late messages, reasons, plants, rebuilds."""

import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from tests.oracle import strategies as told
from tests.scenarios.ledger.bench import LIMITS, NOW_US
from tests.scenarios.ledger.loop import Loop, few
from tests.scenarios.ledger.test_invariants import grouped
from zoneledger.application.giving import Giving, give
from zoneledger.application.kpi import Kpi, kpis_of, read_kpis
from zoneledger.application.parts import read_sums
from zoneledger.application.plants import Plants
from zoneledger.application.presumming import Presumming, presum
from zoneledger.application.rebuild import rebuild
from zoneledger.application.retention import Keeping, forget
from zoneledger.application.windows import MAX_WINDOW_US, Window
from zoneledger.core.calendar import DAY_US, HOUR_US
from zoneledger.core.plant import Plant
from zoneledger.plant_document import read_json, to_plant

BASE_US = told.BASE_US
#: Long enough after the messages that all of them are settled, and not so long that there are many slots.
LATER_US = BASE_US + 30 * HOUR_US
#: Where local midnight falls into the messages: they begin at 06:00 UTC on 2026-01-10.
ZONES = ("UTC", "America/Denver")
DAILY = {"repeats": "FREQ=DAILY", "since": "2026-01-01"}
SHIFTS: list[dict[str, Any]] = [
    {"shift": "a", "starts": "06:00", "ends": "06:20", "stops": [{"stop": "s", "starts": "06:02", "ends": "06:05"}]},
    {"shift": "b", "starts": "06:20", "ends": "06:55"},
    {"shift": "n", "starts": "23:10", "ends": "00:20"},
]
#: How the second cell is declared: from the beginning, since a day before the messages, since a midnight among them, or not at all.
JOINED: list[dict[str, Any] | None] = [{}, {"since": "2026-01-09"}, {"since": "2026-01-10"}, None]
STANDARDS: list[dict[str, Any]] = [
    {"operation": "fasten", "seconds": 4.0, "since": "2020-01-01"},
    {"operation": "fasten", "seconds": 5.0, "since": "2026-01-10"},
    {"operation": "drill", "item": "lb-8", "seconds": 7.0, "since": "2020-01-01"},
]

Step = Callable[["Story"], Awaitable[None]]


@dataclass
class Story:
    """A line of two cells, and what was told of it so far."""

    loop: Loop
    line: str
    plants: Plants
    groups: dict[str, list[list[dict[str, Any]]]]
    plant: Plant = field(default_factory=Plant)

    @property
    def cells(self) -> list[str]:
        return [f"{self.line}/cell-1", f"{self.line}/cell-2"]

    async def declare(self, timezone: str, shifts: int, standards: int, joined: dict[str, Any] | None) -> None:
        used = [one | DAILY for one in SHIFTS[:shifts]]
        cells: list[dict[str, Any]] = [{"cell": "cell-1", "zones": ["1", "2"]}]
        cells += [] if joined is None else [{"cell": "cell-2", "zones": ["1", "2"]} | joined]
        line = {"line": self.line.split("/")[1], "shifts": used, "standards": STANDARDS[:standards], "cells": cells}
        people = {"reasons": [{"reason": "crane"}], "roles": ["lead"]}
        document = {"sites": [{"site": "bench", "timezone": timezone, "lines": [line], **people}]}
        declared = await self.plants.declare(self.loop.bench.store, json.dumps(document), NOW_US)
        self.plant = declared.plant

    async def record(self, cell: str) -> None:
        if self.groups[cell]:
            await self.loop.bench.record(cell, [self.groups[cell].pop(0)])

    async def presum(self) -> None:
        made = Presumming(self.loop.bench.store, self.plants, lambda: LATER_US, LIMITS)
        await presum(made, 2 * DAY_US)

    async def give(self, path: str, start_us: int, length_us: int) -> None:
        unit = self.plant.find(path)
        if unit is None:
            return
        async with self.loop.bench.store.writing() as writing:
            await give(writing, unit, Giving(start_us, start_us + length_us, "crane", "lead"), NOW_US, LIMITS)

    async def rebuild(self, cell: str) -> None:
        if await self.loop.bench.head(cell) is not None:
            await rebuild(self.loop.bench.store, cell, lambda: NOW_US, LIMITS, anew=True)

    async def forget(self, kept_us: int) -> None:
        await forget(self.loop.bench.store, Keeping(kept_us, kept_us), lambda: LATER_US, LIMITS)

    async def figures(self, path: str, windows: list[Window], now_us: int) -> tuple[list[Kpi], list[Kpi]]:
        """Return the figures with pre-sums, and those without."""
        unit = self.plant.find(path)
        assert unit is not None
        async with self.loop.bench.store.reading() as reading:
            summed = await read_kpis(reading, unit, windows, now_us, LIMITS)
            sums = await read_sums(reading, unit, windows, now_us, LIMITS)
            return summed, await kpis_of(reading, sums, now_us, LIMITS)


times = st.one_of(
    st.integers(BASE_US - 12 * HOUR_US, BASE_US + 12 * HOUR_US),
    st.integers(-72, 144).map(lambda tens: BASE_US + tens * 600_000_000),
)


@st.composite
def steps(draw: st.DrawFn) -> Step:
    cell, zone = draw(st.sampled_from((0, 1))), draw(st.sampled_from(("", "/1")))
    start_us, length_us = draw(times), draw(st.integers(HOUR_US // 60, 4 * HOUR_US))
    shifts, standards, joined = draw(st.integers(0, 3)), draw(st.integers(0, 3)), draw(st.sampled_from(JOINED))
    plant = draw(st.sampled_from(ZONES)), shifts, standards, joined
    kept_us = draw(st.integers(26 * HOUR_US, 31 * HOUR_US))
    kinds: list[Step] = [
        lambda story: story.record(story.cells[cell]),
        lambda story: story.record(story.cells[cell]),
        lambda story: story.give(story.cells[cell] + zone, start_us, length_us),
        lambda story: story.declare(*plant),
        lambda story: story.rebuild(story.cells[cell]),
        lambda story: story.forget(kept_us),
    ]
    return draw(st.sampled_from(kinds))


@st.composite
def arriving(draw: st.DrawFn) -> list[list[dict[str, Any]]]:
    """The messages of a cell in groups, in their order or any other."""
    messages = draw(told.any_streams()).messages
    if draw(st.booleans()):
        return draw(grouped(messages))
    cut = draw(st.integers(0, len(messages)))
    return [group for group in (messages[:cut], messages[cut:]) if group]


def _line(loop: Loop) -> str:
    loop.bench.number += 1
    return f"bench/line-{loop.bench.number}"


def _check(story: Story, paths: list[str], windows: list[Window], now_us: int) -> None:
    for path in paths:
        summed, ledger = story.loop.run(story.figures(path, windows, now_us))
        assert summed == ledger, path


@few
@given(
    told_of=st.tuples(arriving(), arriving()),
    first=st.integers(0, 3),
    todo=st.lists(st.tuples(steps(), st.booleans()), min_size=2, max_size=8),
    edges=st.sets(times, min_size=2, max_size=6),
    data=st.data(),
)
def test_figures_off_presums_are_those_of_the_ledger(
    loop: Loop,
    told_of: tuple[list[list[dict[str, Any]]], list[list[dict[str, Any]]]],
    first: int,
    todo: list[tuple[Step, bool]],
    edges: set[int],
    data: st.DataObject,
) -> None:
    line = _line(loop)
    groups = {f"{line}/cell-{i}": one for i, one in enumerate(told_of, start=1)}
    story = Story(loop, line, Plants(lambda text: to_plant(read_json(text))), groups)
    joined = data.draw(st.sampled_from(JOINED))
    loop.run(story.declare(data.draw(st.sampled_from(ZONES)), data.draw(st.integers(0, 3)), 2, joined))
    at, now_us = sorted(edges), data.draw(st.sampled_from((LATER_US, NOW_US)))
    windows = [Window(a, b) for a, b in pairwise(at)] + [Window(at[0], at[-1])]
    windows.append(Window(BASE_US - DAY_US, BASE_US + 2 * DAY_US))
    for cell in story.cells:
        for _ in range(first):
            loop.run(story.record(cell))
    loop.run(story.presum())
    for step, is_presummed in todo:
        loop.run(step(story))
        _check(story, [line, f"{story.cells[0]}/1"], windows, now_us)
        if is_presummed:
            loop.run(story.presum())
            _check(story, [line], windows, now_us)
    _check(story, ["bench", *(cell for cell in story.cells if story.plant.find(cell))], windows, now_us)


def test_a_settled_day_is_read_off_presums_alone(loop: Loop) -> None:
    """Else the property would hold though nothing was ever summed beforehand."""
    line = _line(loop)
    snapshot = {"v": 1, "boot": 1, "seq": 0, "type": "snapshot", "zones": {"1": {}, "2": {}}, "alarms": []}
    begun = {"v": 1, "boot": 1, "seq": 1, "type": "activity", "activity": "process", "phase": "begin", "zone": "1"}
    told_of = [(snapshot, 0), (begun, 20_000_000), (snapshot | {"seq": 1}, 25_000_000)]
    messages = [message | {"at": told.rfc3339(BASE_US + us)} for message, us in told_of]
    groups = {f"{line}/cell-1": [messages]}
    story = Story(loop, line, Plants(lambda text: to_plant(read_json(text))), groups)
    loop.run(story.declare("UTC", 3, 2, {}))
    loop.run(story.record(story.cells[0]))
    loop.run(story.presum())

    async def there() -> list[int]:
        async with loop.bench.store.reading() as reading:
            found = [await reading.presums(line, cell, 0, MAX_WINDOW_US * 100) for cell in ("", *story.cells)]
        return [len([row for row in rows if BASE_US <= row.start_us < BASE_US + 12 * HOUR_US]) for rows in found]

    # 06:00 to 06:20, to 06:55, and from there to the night shift at 23:10, which began before 18:00.
    assert loop.run(there()) == [3, 3, 3]
