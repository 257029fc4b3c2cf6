"""The settled figures that are published by MQTT are those of the API, each of them."""

import json
from typing import Any

import httpx

from tests.integration.api.plant import CELL, OTHER
from zoneledger.api.aside import Aside
from zoneledger.bootstrap import Service
from zoneledger_mqtt.announcements import OwnTopics
from zoneledger_mqtt.announcing import Announcing
from zoneledger_mqtt.board import Board
from zoneledger_mqtt.connection import BrokerAddress

SAME = ("shift", "start", "end", "oee", "oee_bounds", "availability", "performance", "quality", "utilisation", "known")
ELSEWHERE = {"over", "as_of", "made", "good", "fasteners_per_hour", "revision"}


async def test_figures_of_a_shift_that_is_over_are_in_full_those_of_the_api(
    told: httpx.AsyncClient, service: Service
) -> None:
    board, aside, topics = Board(), Aside(service), OwnTopics("out", "cells/v1")
    announcing = Announcing(service, aside, BrokerAddress("127.0.0.1", 1), topics, "out")
    await announcing._put_figures(board)
    await aside.stop()
    published = board.due(0.0).messages
    for unit in ("bench/line-1", CELL, f"{CELL}/1", f"{CELL}/2", OTHER, f"{OTHER}/1"):
        last: dict[str, Any] = json.loads(published[topics.shift(unit)])["last"]
        kpi = (await told.get(f"/v1/kpi/{unit}", params={"shift": last["shift"]})).json()
        assert {name: last[name] for name in SAME} == {name: kpi[name] for name in SAME}
        assert (last["over"], last["as_of"], last["revision"]) == (True, kpi["end"], kpi["revision"])
        assert (last["made"], last["good"]) == (kpi["fasteners"]["made"], kpi["fasteners"]["good"])
        assert last["fasteners_per_hour"] == kpi["fasteners_per_hour"]
        assert last.keys() == {*SAME, *ELSEWHERE}
    assert json.loads(published[topics.shift(CELL)])["last"]["good"] == 95
