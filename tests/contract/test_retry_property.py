"""However plant or service were wrong as messages came, offered again once all is mended they give the ledger of a right plant."""

import json
import logging
from collections.abc import Callable
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.contract.recording import CELL, PLANT, all_kept, delivery, ledger_of, record
from tests.contract.refusing import ALL, NARROW, listed, retries, retry_all
from tests.contract.stores import Stores
from tests.fakes.failing_store import FailingStore, Failure
from tests.fakes.memory_store import MemoryStore
from tests.oracle import strategies as told
from zoneledger.application.ports import Store
from zoneledger.application.stored import RefusedFilter
from zoneledger.core.errors import StoreUnavailable
from zoneledger.core.plant import Plant

NOBODY = Plant(())
END_US = told.BASE_US + 10**12
Message = dict[str, Any]
Draw = Callable[[st.SearchStrategy[Any]], Any]


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL, "zoneledger.application")


def _fails_at(number: int, error: Exception) -> Failure:
    """Return the failure of the call with this number, whatever it is."""
    calls = count()
    return lambda name, _: error if next(calls) == number else None


async def _take_in(draw: Draw, store: Store, messages: list[Message]) -> None:
    """Record messages while the plant is wrong, or the service fails on them."""
    plant = draw(st.sampled_from([NOBODY, NARROW, PLANT]))
    payload = json.dumps(messages).encode()
    failing = FailingStore(store, lambda name, _: RuntimeError("a bug") if name == "save_heads" else None)
    await record(failing if draw(st.integers(0, 4)) == 4 else store, [delivery(payload)], plant, END_US)


async def _offer_some(draw: Draw, store: Store) -> None:
    """Offer some of what is refused again, under a plant that may still be wrong, broken off perhaps."""
    reason = draw(st.sampled_from([None, "unknown_zone", "unknown_cell", "internal_error"]))
    which = RefusedFilter(draw(st.sampled_from([None, CELL])), reason)
    plant = draw(st.sampled_from([NARROW, PLANT]))
    error: Exception = draw(st.sampled_from([StoreUnavailable("gone"), RuntimeError("a bug")]))
    failing = FailingStore(store, _fails_at(draw(st.integers(0, 40)), error))
    try:
        await retry_all(failing, which, draw(st.integers(1, 9)), retries(plant, END_US))
    except StoreUnavailable:
        return


def _cut(draw: Draw, messages: list[Message]) -> list[list[Message]]:
    pieces, left = [], list(messages)
    while left:
        size = draw(st.integers(1, 12))
        pieces.append(left[:size])
        left = left[size:]
    return pieces


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(stream=told.any_streams(), data=st.data())
async def test_a_mended_plant_gives_the_ledger_of_a_right_one(
    store_url: str, store: Store, stores: Stores, stream: told.Stream, data: st.DataObject
) -> None:
    store, right = await stores.empty(store_url), MemoryStore()
    arrived = data.draw(told.arrivals(stream.messages))
    for piece in _cut(data.draw, arrived):
        await _take_in(data.draw, store, piece)
        if data.draw(st.booleans()):
            await _offer_some(data.draw, store)
    await retry_all(store, ALL, data.draw(st.integers(1, 50)), retries(PLANT, END_US))
    await record(right, [delivery(json.dumps(arrived).encode())], PLANT, END_US)
    assert await listed(store) == []
    assert ledger_of(await all_kept(store)) == ledger_of(await all_kept(right))
