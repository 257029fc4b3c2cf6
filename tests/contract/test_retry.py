"""Refused messages offered again on every store: what is taken leaves the list once, the rest stays, and nothing is lost between."""

import json
import logging

import pytest

from tests.contract.payloads import BAD, BAD_WHOLE, dumped, message
from tests.contract.recording import (
    CELL,
    NOW_US,
    STRANGER,
    TWIN,
    all_kept,
    delivery,
    ledger_of,
    record,
)
from tests.contract.refusing import ALL, MORNING, NARROW, listed, retries, retry_all, tally_of
from tests.fakes.failing_store import FailingStore, whenever
from tests.fakes.memory_store import MemoryStore
from zoneledger.application import retry
from zoneledger.application.intake import Delivery
from zoneledger.application.ports import Store
from zoneledger.application.stored import Listed, RefusedFilter, RefusedRow

HOUR_US = 3_600_000_000
LATER_US = NOW_US + HOUR_US


async def _counts(store: Store, cell: str = CELL) -> dict[str, int]:
    async with store.reading() as reading:
        return (await reading.heads([cell]))[cell].counts


async def test_what_a_mended_plant_names_is_booked_as_if_it_had_been_right_from_the_beginning(store: Store) -> None:
    right = MemoryStore()
    await record(right, [delivery(dumped(*MORNING)), delivery(dumped(*MORNING), TWIN)])
    (first, twin) = await record(store, [delivery(dumped(*MORNING)), delivery(dumped(*MORNING), TWIN)], NARROW)
    assert (first.stored, len(twin.refused)) == (14, len(MORNING))
    tally = await retry_all(store)
    # The twin has one zone only.
    named = [one for one in MORNING if one.get("zone") == "1"]
    assert tally == tally_of(18 + len(MORNING), 18 + len(named), unknown_zone=len(MORNING) - len(named))
    assert {row.cell for row in await listed(store)} == {TWIN}
    assert ledger_of(await all_kept(store)) == ledger_of(await all_kept(right))


async def test_what_is_refused_again_stays_in_its_place_with_the_present_reason(store: Store) -> None:
    await record(store, [delivery(dumped(message(1, zone="2")), TWIN), delivery(b"{"), delivery(b"[7, 8]")], NARROW)
    before, counted = await listed(store), await _counts(store)
    assert await retry_all(store, offering=retries(now_us=LATER_US)) == tally_of(
        4, unknown_zone=1, not_json=1, not_an_object=2
    )
    after = await listed(store)
    assert after[1:] == before[1:]
    detail = f"the plant model names no zone 2 in {TWIN}"
    assert after[0] == before[0]._replace(row=before[0].row._replace(reason="unknown_zone", detail=detail))
    assert await _counts(store) == counted
    assert await _counts(store, TWIN) == {}


async def test_a_time_that_was_ahead_of_the_clock_when_it_came_is_not_taken_once_it_has_passed(store: Store) -> None:
    """What follows it in the order of its numbers came before: all between would be booked as if it had gone on until then."""
    ahead = [message(1, at="2026-11-25T12:00:30Z"), message(2, at="2026-11-25T12:00:50Z")]
    await record(store, [delivery(dumped(*ahead))])
    before = await listed(store)
    assert await retry_all(store, offering=retries(now_us=LATER_US)) == tally_of(2, ahead_of_clock=2)
    assert await listed(store) == before
    assert [one.row.detail.partition(" of")[0] for one in before] == ["at lies 30.0 s ahead", "at lies 50.0 s ahead"]


async def test_a_time_that_was_ahead_while_its_cell_was_not_declared_is_judged_by_when_it_came(store: Store) -> None:
    ahead, right = message(1, at="2026-11-25T12:00:30Z"), message(2)
    await record(store, [delivery(dumped(ahead, right), TWIN)], NARROW)
    assert [one.row.reason for one in await listed(store)] == ["unknown_cell"] * 2
    assert await retry_all(store, offering=retries(now_us=LATER_US)) == tally_of(2, 1, ahead_of_clock=1)


async def test_one_that_is_known_by_now_leaves_and_one_that_contradicts_stays(store: Store) -> None:
    first, other = message(1, zone="2"), message(1, zone="2") | {"for": "tool"}
    await record(store, [delivery(dumped(first, other))], NARROW)
    await record(store, [delivery(dumped(first))])
    assert await retry_all(store) == tally_of(2, 0, 1, contradicts=1)
    (left,) = await listed(store)
    assert (left.row.body, left.row.at_index, left.row.reason) == (json.dumps(other).encode(), 1, "contradicts")
    assert await retry_all(store) == tally_of(1, contradicts=1)
    assert await listed(store) == [left]


async def test_of_two_refused_with_the_same_key_the_first_that_came_stands(store: Store) -> None:
    first, other = message(1, zone="2"), message(1, zone="2") | {"for": "tool"}
    await record(store, [delivery(dumped(first)), delivery(dumped(other))], NARROW)
    assert await retry_all(store) == tally_of(2, 1, contradicts=1)
    assert (await all_kept(store))[f"events {CELL}"] == [((1, 1), json.dumps(first))]


async def test_fields_that_the_contract_does_not_have_are_counted_once_it_is_taken(store: Store) -> None:
    contradicting = message(1, shade=4) | {"for": "tool"}
    await record(store, [delivery(dumped(message(1), contradicting, message(2, zone="2", shade=3)))], NARROW)
    assert "unknown_field:shade" not in await _counts(store)
    for _ in range(3):
        await retry_all(store)
    assert (await _counts(store))["unknown_field:shade"] == 1


async def test_messages_of_the_link_topic_and_cut_ones_are_never_offered_again(store: Store) -> None:
    topic = f"cells/v1/{TWIN}/link"
    links = [Delivery(TWIN, b'{"v":1,"link":"down"}', topic, "link"), Delivery(TWIN, b"{", topic, "link")]
    large = b"[" + dumped(message(1, zone="1"))[1:-1].ljust(300 * 1024) + b"]"
    await record(store, [*links, delivery(large)], NARROW)
    before = await listed(store)
    tally = await retry_all(store)
    assert (tally.offered, tally.left_out) == (0, {"link": 2, "cut": 1})
    assert await listed(store) == before
    async with store.reading() as reading:
        assert (await reading.heads([TWIN]))[TWIN].link is None


async def _refuse_whole(store: Store, payload: bytes) -> None:
    """Let the service fail on a payload, so that it is refused whole."""
    failing = FailingStore(store, whenever("add_events", bool, RuntimeError("a bug")))
    (receipt,) = await record(failing, [delivery(payload)])
    assert [one.reason for one in receipt.refused] == ["internal_error"]


@pytest.fixture
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.CRITICAL, "zoneledger.application")


@pytest.mark.usefixtures("_quiet")
async def test_a_payload_that_was_refused_whole_is_taken_apart_and_what_is_refused_of_it_takes_its_place(
    store: Store,
) -> None:
    payload = b"[" + b", ".join([dumped(message(1))[1:-1], b"7", dumped(message(2, zone="9"))[1:-1], b"[]"]) + b"]"
    await _refuse_whole(store, payload)
    assert await retry_all(store, offering=retries(now_us=LATER_US)) == tally_of(1, 1, not_an_object=2, unknown_zone=1)
    rows = [one.row for one in await listed(store)]
    assert [(row.body, row.at_index, row.reason, row.arrived_us) for row in rows] == [
        (b"7", 1, "not_an_object", NOW_US),
        (json.dumps(message(2, zone="9")).encode(), 2, "unknown_zone", NOW_US),
        (b"[]", 3, "not_an_object", NOW_US),
    ]
    assert {(row.cell, row.origin) for row in rows} == {(CELL, delivery(b"").origin)}
    assert "refused" not in await _counts(store)
    before = await listed(store)
    assert await retry_all(store) == tally_of(3, not_an_object=2, unknown_zone=1)
    assert await listed(store) == before


@pytest.mark.usefixtures("_quiet")
async def test_a_single_message_that_was_refused_whole_keeps_its_entry(store: Store) -> None:
    payload = json.dumps(message(1, zone="2")).encode()
    await _refuse_whole(store, payload)
    (before,) = await listed(store)
    assert await retry_all(store, offering=retries(NARROW)) == tally_of(1, unknown_zone=1)
    (after,) = await listed(store)
    assert (after.id, after.row.body, after.row.reason) == (before.id, payload, "unknown_zone")


async def test_a_message_that_is_an_array_is_never_taken_apart(store: Store) -> None:
    await record(store, [delivery(b"[" + dumped(message(1)) + b", [], [[]]]")])
    before = await listed(store)
    assert await retry_all(store) == tally_of(3, not_an_object=3)
    assert await listed(store) == before


async def test_what_breaks_the_contract_is_refused_again_and_stays_as_it_was(store: Store) -> None:
    bad = [text for text, why in BAD.values() if text != b"[]" and why != "contradicts"]
    arrays = [b"[0, " + text + b"]" for text in bad]
    await record(store, [delivery(text) for text in (*bad, *arrays, *(one for one, _ in BAD_WHOLE.values()))])
    before, counted = await listed(store), await _counts(store)
    await retry_all(store, limit=7)
    after = await listed(store)
    assert [_but_for_detail(one) for one in after] == [_but_for_detail(one) for one in before]
    assert await _counts(store) == counted


def _but_for_detail(entry: Listed[RefusedRow]) -> Listed[RefusedRow]:
    return entry._replace(row=entry.row._replace(detail=""))


async def test_those_that_are_asked_for_are_offered_and_no_others(store: Store) -> None:
    await record(
        store, [delivery(dumped(message(1, zone="2"))), delivery(b"{"), delivery(dumped(*MORNING), TWIN)], NARROW
    )
    ids = [row.id for row in await listed(store)]
    assert (await retry_all(store, RefusedFilter(reason="not_json"))) == tally_of(1, not_json=1)
    assert (await retry_all(store, RefusedFilter(cell=STRANGER))) == tally_of(0)
    assert (await retry_all(store, RefusedFilter(cell=CELL, reason="unknown_zone"))) == tally_of(1, 1)
    assert (await retry_all(store, RefusedFilter(ids=(ids[-1], ids[0])))) == tally_of(1, unknown_zone=1)
    assert len(await listed(store)) == len(MORNING) + 1


async def test_pages_go_on_where_the_one_before_ended_and_leave_out_what_came_since(store: Store) -> None:
    await record(store, [delivery(dumped(*MORNING), TWIN)], NARROW)
    ids, offering = [row.id for row in await listed(store)], retries()
    first = await offering.offer(store, ALL, 10)
    assert (first.tally.offered, first.upto_id, first.next_id) == (10, ids[-1], ids[9])
    await record(store, [delivery(b"{")])
    tally = await retry_all(store, ALL._replace(after_id=ids[9], upto_id=ids[-1]), 10)
    assert tally.offered == len(MORNING) - 10
    assert "not_json" not in tally.refused


async def test_what_one_transaction_holds_is_bounded_by_bytes_too(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    texts = [json.dumps(message(seq, zone="2", note="x" * 900)).encode() for seq in range(1, 7)]
    await record(store, [delivery(text) for text in texts], NARROW)
    monkeypatch.setattr(retry, "BYTES_AT_ONCE", 2500)
    offered, after_id = [], 0
    for _ in range(3):
        retried = await retries().offer(store, ALL._replace(after_id=after_id))
        offered.append(retried.tally.offered)
        after_id = retried.next_id or 0
    assert (offered, after_id) == ([2, 2, 2], 0)
    monkeypatch.setattr(retry, "BYTES_AT_ONCE", 1)
    await record(store, [delivery(b"{"), delivery(b"[")])
    assert (await retries().offer(store, ALL)).tally.offered == 1


async def test_only_the_cells_of_what_is_taken_are_written(store: Store) -> None:
    await record(store, [delivery(dumped(*MORNING), TWIN)], NARROW)
    await record(store, [delivery(dumped(*MORNING))])
    before = await all_kept(store)
    await retry_all(store)
    after = await all_kept(store)
    assert {name: rows for name, rows in after.items() if name.endswith(CELL)} == {
        name: rows for name, rows in before.items() if name.endswith(CELL)
    }
    assert after["heads"][CELL] == before["heads"][CELL]
