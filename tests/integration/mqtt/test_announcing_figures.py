"""The figures that are put on the board: of each line by itself, and no more often than they say something else."""

import json
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from zoneledger.api.aside import Aside
from zoneledger.application.ports import Reading, Store
from zoneledger.bootstrap import build_service
from zoneledger.core.errors import StoreUnavailable
from zoneledger.plant_document import canonical_json, read_json
from zoneledger.storage.schema import migrate
from zoneledger_mqtt.announcements import OwnTopics
from zoneledger_mqtt.announcing import AS_OF_S, Announcing
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import BrokerAddress

BEGIN_US = 1_772_452_800_000_000  # 2026-03-02T12:00:00Z
FIRST, SECOND = "out/harbour/wing-1/shift", "out/harbour/wing-2/shift"


def _plant() -> dict[str, Any]:
    shift = {"shift": "day", "starts": "06:00", "ends": "18:00", "repeats": "FREQ=DAILY", "since": "2026-01-01"}
    lines = [
        {"line": line, "shifts": [shift], "cells": [{"cell": "c", "zones": ["1"]}]} for line in ("wing-1", "wing-2")
    ]
    return {"sites": [{"site": "harbour", "timezone": "UTC", "lines": lines}]}


class _Failing:
    """A store of which the next readings answer or not, as `answers` says; after these all do."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.answers: list[bool] = []

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        if self.answers and not self.answers.pop(0):
            raise StoreUnavailable("the database does not answer")
        async with self._store.reading() as reading:
            yield reading

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


class _Figures:
    """What puts figures on a board, with a clock and a database that fail as they are told."""

    def __init__(self, url: str) -> None:
        self.now_us = BEGIN_US
        self.service = build_service(url, clock=lambda: self.now_us)
        self.store = _Failing(self.service.aside)
        self.aside = Aside(replace(self.service, aside=self.store))
        topics = OwnTopics("out", "cells/v1")
        self._announcing = Announcing(self.service, self.aside, BrokerAddress("127.0.0.1", 1), topics, "out")
        self.board = Board()

    async def put(self, seconds: int = 5, answers: tuple[bool, ...] = ()) -> dict[str, str | None]:
        """Read figures so long after the last time; return which topics are due then, and up to when each was read."""
        self.now_us, self.store.answers = self.now_us + seconds * 1_000_000, list(answers)
        await self._announcing._put_figures(self.board)
        messages = self.board.due(self.now_us / 1e6).messages
        for topic, payload in messages.items():
            self.board.told(topic, payload, self.now_us / 1e6)
        return {
            topic: json.loads(payload)["present"]["as_of"] if payload else None for topic, payload in messages.items()
        }


@pytest.fixture
async def figures(tmp_path: Path) -> AsyncIterator[_Figures]:
    url = f"sqlite:///{tmp_path / 'figures.db'}"
    await migrate(url)
    figures = _Figures(url)
    service = figures.service
    await service.plants.declare(service.store, canonical_json(read_json(json.dumps(_plant()))), BEGIN_US)
    yield figures
    await figures.aside.stop()
    await service.store.close()


async def test_a_line_that_cannot_be_read_stays_as_it_was_and_holds_up_no_other(
    figures: _Figures, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    assert {FIRST, SECOND} <= (await figures.put()).keys()
    figures.board.begin("out/link")
    for _ in range(2):
        told = await figures.put(answers=(True, False))  # the plant model, and the first line
    assert None not in told.values()
    told = await figures.put(answers=(False,))
    assert told == {}
    await figures.put()
    said = [record.getMessage() for record in caplog.records if record.name == "zoneledger_mqtt.announcing"]
    line, model = "the figures of harbour/wing-1", "the plant model"
    assert [one.split(" can")[0] for one in said] == [line, model, model, line]


async def test_nothing_is_cleared_while_a_line_was_never_read(figures: _Figures) -> None:
    figures.board.begin("out/link")
    figures.board.found(FIRST, b"of earlier")
    figures.board.found("out/harbour/wing-9/shift", b"of earlier")
    told = await figures.put(answers=(True, False))
    assert (told.keys() >= {SECOND}, FIRST in told, None in told.values()) == (True, False, False)
    told = await figures.put()
    assert told[FIRST] == "2026-03-02T12:00:10Z"
    assert told["out/harbour/wing-9/shift"] is None


async def test_figures_of_which_only_the_instant_differs_are_put_once_a_minute(
    figures: _Figures, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert AS_OF_S == 60
    assert (await figures.put())[FIRST] == "2026-03-02T12:00:05Z"
    assert await figures.put() == {}
    monkeypatch.setattr("zoneledger_mqtt.announcing.AS_OF_S", 0.0)
    assert (await figures.put())[FIRST] == "2026-03-02T12:00:15Z"
