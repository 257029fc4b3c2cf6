"""What is told as it changes: by commits of this process and of others, by time alone, and each cell's figures once a second."""

import asyncio
import json
import logging
from collections.abc import AsyncIterator, Sequence
from itertools import pairwise
from typing import Any

import pytest

from tests.contract.recording import CELL, NOW_US, PLANT, TWIN
from tests.fakes.memory_store import MemoryStore
from zoneledger.application.intake import Delivery
from zoneledger.application.live import Live
from zoneledger.application.plants import Plants
from zoneledger.application.recorder import Recorder
from zoneledger.application.units import Moments, Present
from zoneledger.application.updates import FiguresChanged, PlantChanged, StateChanged, Update
from zoneledger.core.booking import Limits
from zoneledger.core.errors import StoreUnavailable

SECOND_US = 1_000_000
ZONE = f"{CELL}/1"


class _Desk:
    """A store with a recorder of this process and one of another, a clock that is set, and all that is told."""

    def __init__(self) -> None:
        self.now_us = NOW_US
        self.store = MemoryStore()
        self.plants = Plants(lambda _: PLANT)
        self.told: list[Update] = []
        self.heard = asyncio.Event()
        self.failures: list[Exception] = []
        self.rest_s = 0.0
        self.told_s: list[float] = []
        self.live = Live(self.store, self.plants, self.clock, Moments(Limits()))
        self.here = Recorder(self.store, self.plants, self.clock, Limits(), self.live.note)
        self.elsewhere = Recorder(self.store, Plants(lambda _: PLANT), self.clock, Limits())

    def clock(self) -> int:
        return self.now_us

    async def tell(self, updates: Sequence[Update]) -> float:
        if self.failures:
            raise self.failures.pop()
        self.told_s.append(asyncio.get_running_loop().time())
        self.told += updates
        self.heard.set()
        return self.rest_s

    async def until(self, *updates: Update) -> list[Update]:
        """Wait until all of these are told; return what was told so far, and forget it."""
        async with asyncio.timeout(20):
            while not set(updates) <= set(self.told):
                await self.heard.wait()
                self.heard.clear()
        told, self.told = self.told, []
        return told

    async def until_followed(self) -> None:
        """Wait until cells are followed: then commits of this process are told at once."""
        await self.send(self.elsewhere, _snapshot(0, 0), TWIN)
        await self.until(FiguresChanged(TWIN, _at_us(0)))

    async def send(self, recorder: Recorder, message: dict[str, Any], cell: str = CELL) -> None:
        receipt = await recorder.record(Delivery(cell, json.dumps(message).encode(), "http"))
        assert receipt.stored == 1


def _at_us(second: float) -> int:
    return NOW_US + round(second * SECOND_US)


def _message(seq: int, second: float, **fields: Any) -> dict[str, Any]:
    at = f"2026-11-25T12:{int(second // 60):02d}:{second % 60:09.6f}Z"
    return {"v": 1, "boot": 1, "seq": seq, "at": at} | fields


def _snapshot(seq: int, second: float, **zone: Any) -> dict[str, Any]:
    return _message(seq, second, type="snapshot", zones={"1": zone}, alarms=[])


def _wait(seq: int, second: float, phase: str = "begin") -> dict[str, Any]:
    return _message(seq, second, type="wait", zone="1", phase=phase, **{"for": "panel"})


def _state(unit: str, state: str, reason: str, second: float) -> StateChanged:
    return StateChanged(unit, Present(state, reason, _at_us(second)))


@pytest.fixture
async def desk() -> AsyncIterator[_Desk]:
    """A desk at which all work goes on."""
    desk = _Desk()
    tasks = [asyncio.create_task(work) for work in (desk.here.run(), desk.elsewhere.run(), desk.live.run(desk.tell))]
    await desk.until_followed()
    yield desk
    for task in reversed(tasks):
        task.cancel()
        await asyncio.wait([task])


@pytest.mark.parametrize("who", ["here", "elsewhere"])
async def test_a_state_is_told_once_it_is_committed_by_whichever_process(desk: _Desk, who: str) -> None:
    recorder: Recorder = getattr(desk, who)
    await desk.send(recorder, _snapshot(0, 0, activity="process"))
    running = [_state(unit, "running", "process", 0) for unit in (CELL, ZONE)]
    await desk.until(*running, FiguresChanged(CELL, _at_us(0)))
    desk.now_us = _at_us(5)
    await desk.send(recorder, _wait(1, 5))
    told = await desk.until(*[_state(unit, "idle", "panel", 5) for unit in (CELL, ZONE)])
    assert not set(running) & set(told)


async def test_commits_of_this_process_are_told_without_looking_into_the_store(
    desk: _Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    reading = desk.store.reading

    def no_more() -> Any:
        raise StoreUnavailable("away")

    monkeypatch.setattr(desk.store, "reading", no_more)
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(_state(ZONE, "running", "process", 0))
    monkeypatch.setattr(desk.store, "reading", reading)
    await desk.send(desk.elsewhere, _wait(1, 0))
    await desk.until(_state(ZONE, "idle", "panel", 0))


async def test_silence_is_told_when_its_time_has_come_without_any_message(desk: _Desk) -> None:
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(_state(ZONE, "running", "process", 0))
    desk.now_us = _at_us(30) - 1
    await desk.send(desk.elsewhere, _snapshot(0, 29), TWIN)  # so that the clock is looked at
    assert _state(ZONE, "unknown", "silence", 30) not in await desk.until(FiguresChanged(TWIN, _at_us(29)))
    desk.now_us = _at_us(30)
    await desk.until(*[_state(unit, "unknown", "silence", 30) for unit in (CELL, ZONE)])


async def test_a_state_that_begins_ahead_of_our_clock_is_told_when_its_time_has_come(desk: _Desk) -> None:
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(_state(ZONE, "running", "process", 0))
    await desk.send(desk.here, _wait(1, 2))
    desk.now_us = _at_us(2) - 1
    await desk.send(desk.elsewhere, _snapshot(0, 1), TWIN)
    assert _state(ZONE, "idle", "panel", 2) not in await desk.until(FiguresChanged(TWIN, _at_us(1)))
    desk.now_us = _at_us(2)
    await desk.until(_state(ZONE, "idle", "panel", 2))


async def test_figures_of_a_cell_are_told_once_a_second_and_the_last_of_them_always(desk: _Desk) -> None:
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(FiguresChanged(CELL, _at_us(0)))
    for number in range(1, 10):
        desk.now_us += SECOND_US // 10
        await desk.send(desk.here, _wait(number, number / 10, "begin" if number % 2 else "end"))
    told = await desk.until(_state(ZONE, "idle", "panel", 0.9))
    assert [one for one in told if isinstance(one, FiguresChanged)] == []
    desk.now_us = _at_us(1)
    told = await desk.until(FiguresChanged(CELL, _at_us(0.9)))
    assert len([one for one in told if isinstance(one, FiguresChanged)]) == 1


async def test_a_clock_that_is_set_back_does_not_silence_the_figures(desk: _Desk) -> None:
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(FiguresChanged(CELL, _at_us(0)))
    desk.now_us -= 3600 * SECOND_US
    await desk.send(desk.here, _message(1, 0, type="own") | {"at": "2026-11-25T11:00:00Z"})
    await desk.until(FiguresChanged(CELL, _at_us(0)))


async def test_a_duplicate_is_told_to_nobody(desk: _Desk) -> None:
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(FiguresChanged(CELL, _at_us(0)))
    desk.now_us = _at_us(10)
    again = json.dumps(_snapshot(0, 0, activity="process")).encode()
    assert (await desk.here.record(Delivery(CELL, again, "http"))).duplicate == 1
    await desk.send(desk.here, _snapshot(0, 10), TWIN)
    told = await desk.until(FiguresChanged(TWIN, _at_us(10)))
    assert [one for one in told if one[0] in (CELL, ZONE)] == []


async def test_another_plant_model_is_told(desk: _Desk) -> None:
    await desk.plants.declare(desk.store, '{"sites": []}', NOW_US)
    await desk.until(PlantChanged(1))


async def test_nothing_is_told_for_as_long_as_the_streams_want_to_rest(desk: _Desk) -> None:
    desk.rest_s = 0.05
    for second in range(4):
        desk.now_us = _at_us(second)
        await desk.send(desk.here, _snapshot(0, second, activity="process"))
        await desk.until(FiguresChanged(CELL, _at_us(second)))
    assert min(later - former for former, later in pairwise(desk.told_s[-3:])) >= 0.05


async def test_a_stop_that_comes_with_a_failure_is_a_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = _Desk()
    looked = asyncio.Event()

    def fail() -> Any:
        looked.set()
        raise KeyError("a bug")

    monkeypatch.setattr(desk.store, "reading", fail)
    running = asyncio.create_task(desk.live.run(desk.tell))
    await asyncio.wait_for(looked.wait(), 20)
    running.cancel()
    await asyncio.wait_for(asyncio.wait([running]), 20)
    assert running.cancelled()


async def test_after_a_failure_all_is_told_anew(desk: _Desk, caplog: pytest.LogCaptureFixture) -> None:
    desk.failures.append(KeyError("a bug"))
    await desk.send(desk.here, _snapshot(0, 0, activity="process"))
    await desk.until(_state(ZONE, "running", "process", 0), _state(f"{TWIN}/1", "idle", "unexplained", 0))
    assert [record.levelno for record in caplog.records if "live streams" in record.message] == [logging.ERROR]
    await desk.send(desk.here, _wait(1, 0))
    await desk.until(_state(ZONE, "idle", "panel", 0))
