"""The Recorder on every store: what it refuses, keeps and books, and that nothing good is lost because of a bad one."""

import json
from typing import Literal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.contract.payloads import (
    BAD,
    BAD_ALONE,
    BAD_WHOLE,
    ODD,
    activity,
    alarm,
    dumped,
    fastener,
    message,
    snapshot,
    verdict,
)
from tests.contract.recording import CELL, NOW_US, STRANGER, TWIN, all_kept, delivery, record
from tests.contract.stores import Stores
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.ports import Store
from zoneledger.application.stored import RefusedFilter, RefusedRow
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES


async def _refused(store: Store) -> list[RefusedRow]:
    async with store.reading() as reading:
        return [one.row for one in await reading.refused(RefusedFilter(), 10_000)]


def _reasons(receipt: Receipt) -> list[tuple[int, str]]:
    return [(one.index, one.reason) for one in receipt.refused]


async def test_each_bad_message_is_refused_and_kept_and_costs_no_other(store: Store) -> None:
    for number, (text, reason) in enumerate(BAD.values()):
        seq = 3 * number + 1
        good = [json.dumps(message(seq + i, seq + i)).encode() for i in range(2)]
        (receipt,) = await record(store, [delivery(b"[" + b" ,\n".join([good[0], text, good[1]]) + b"]")])
        assert (receipt.stored, receipt.duplicate) == (2, 0)
        assert _reasons(receipt) == [(1, reason)]
        row = (await _refused(store))[-1]
        detail = receipt.refused[0].detail
        assert row == RefusedRow(CELL, delivery(b"").origin, NOW_US, 1, reason, detail, text, len(text))


async def test_each_bad_message_by_itself_is_refused_alike(store: Store) -> None:
    receipts = await record(store, [delivery(text) for text, _ in BAD_ALONE.values()])
    assert [_reasons(receipt) for receipt in receipts] == [[(0, why)] for _, why in BAD_ALONE.values()]
    assert [row.body for row in await _refused(store)] == [text for text, _ in BAD_ALONE.values()]


async def test_each_odd_message_that_keeps_the_contract_is_stored_as_it_came(store: Store) -> None:
    receipts = await record(store, [delivery(text) for text in ODD.values()])
    assert [(receipt.stored, _reasons(receipt)) for receipt in receipts] == [(1, [])] * len(ODD)
    async with store.reading() as reading:
        rows = [one.row.body for one in await reading.events_by_arrival([CELL], 0, 1000)]
    assert rows == [text.decode().strip() for text in ODD.values()]
    again = await record(store, [delivery(b"[" + b",".join(ODD.values()) + b"]")])
    assert [(receipt.duplicate, receipt.refused) for receipt in again] == [(len(ODD), [])]


async def test_each_bad_payload_is_refused_whole_and_kept(store: Store) -> None:
    receipts = await record(store, [delivery(payload) for payload, _ in BAD_WHOLE.values()])
    assert [_reasons(receipt) for receipt in receipts] == [[(0, reason)] for _, reason in BAD_WHOLE.values()]
    rows = await _refused(store)
    assert [row.body for row in rows] == [payload[: 256 * 1024] for payload, _ in BAD_WHOLE.values()]
    assert [row.size for row in rows] == [len(payload) for payload, _ in BAD_WHOLE.values()]


@pytest.mark.parametrize("kind", ["events", "link"])
async def test_a_payload_that_was_cut_is_refused_with_the_size_that_it_had(
    store: Store, kind: Literal["events", "link"]
) -> None:
    cut = Delivery(CELL, b"[".ljust(MAX_PAYLOAD_BYTES), "topic", kind, 1_000_000)
    (receipt,) = await record(store, [cut])
    assert _reasons(receipt) == [(0, "too_large")]
    (row,) = await _refused(store)
    assert (row.body, row.size) == (cut.payload, 1_000_000)
    assert "1000000 bytes" in row.detail


async def test_an_empty_array_is_nothing(store: Store) -> None:
    assert await record(store, [delivery(b" [ ] ")]) == [Receipt()]
    assert await _refused(store) == []


async def test_the_largest_payload_and_the_most_messages_are_taken(store: Store) -> None:
    most = [message(seq, seq, boot=1) for seq in range(1, 1001)]
    one = json.dumps(message(1, boot=2, note="")).encode()
    largest = one.replace(b'"note": ""', b'"note": "' + b"x" * (256 * 1024 - len(one)) + b'"')
    assert len(largest) == 256 * 1024
    receipts = await record(store, [delivery(dumped(*most)), delivery(largest)])
    assert [receipt.stored for receipt in receipts] == [1000, 1]


async def test_a_message_up_to_5_s_ahead_of_the_clock_is_taken(store: Store) -> None:
    ahead = [message(1, at="2026-11-25T12:00:05Z"), message(2, at="2026-11-25T12:00:05.000001Z")]
    (receipt,) = await record(store, [delivery(dumped(*ahead))])
    assert (receipt.stored, _reasons(receipt)) == (1, [(1, "ahead_of_clock")])


async def test_what_was_taken_and_what_was_refused_as_ahead_tell_the_clock_apart(store: Store) -> None:
    taken, slip = message(1, at="2026-11-25T11:59:59Z"), message(2, at="2026-11-25T14:00:00Z")
    await record(store, [delivery(dumped(taken, slip))])
    await record(store, [delivery(dumped(message(1, at="2026-11-25T13:00:00Z")), TWIN)])
    async with store.reading() as reading:
        heads = await reading.heads([CELL, TWIN])
    clocks = {
        cell: (head.clock and head.clock.us, head.refused_clock and head.refused_clock.us)
        for cell, head in heads.items()
    }
    assert clocks == {CELL: (-1_000_000, 7_200_000_000), TWIN: (None, 3_600_000_000)}


@pytest.mark.parametrize(
    "cell", [STRANGER, "", "no path", "a\0b", "\ud800", "x" * 60_000, "%'\";\N{WRENCH}"], ids=range(7)
)
async def test_messages_of_a_cell_that_the_plant_does_not_name_are_refused_each(store: Store, cell: str) -> None:
    payload = dumped(snapshot(), message())
    known, strange = await record(store, [delivery(payload), Delivery(cell, payload, cell)])
    assert known.stored == 2
    assert _reasons(strange) == [(0, "unknown_cell"), (1, "unknown_cell")]
    assert [row.at_index for row in await _refused(store)] == [0, 1]
    async with store.reading() as reading:
        assert (await reading.heads([CELL, STRANGER])).keys() == {CELL}


async def test_the_same_message_again_is_a_duplicate_however_it_is_written(store: Store) -> None:
    once = message(1, note="other every time")
    again = dict(reversed(once.items())) | {"at": "2026-11-25T07:00:01.000+01:00", "note": 2}
    receipts = await record(store, [delivery(dumped(once)), delivery(dumped(once, again))])
    receipts += await record(store, [delivery(dumped(again))])
    assert [(one.stored, one.duplicate, one.refused) for one in receipts] == [(1, 0, []), (0, 2, []), (0, 1, [])]


async def test_the_same_snapshot_again_is_a_duplicate(store: Store) -> None:
    told = [snapshot(3, 30), snapshot(3, 40)]
    receipts = await record(store, [delivery(dumped(*told, told[0]))])
    receipts += await record(store, [delivery(dumped(*told[::-1]))])
    assert [(one.stored, one.duplicate, one.refused) for one in receipts] == [(2, 1, []), (0, 2, [])]
    assert len((await all_kept(store))[f"snapshots {CELL}"]) == 2


async def test_the_same_key_with_other_content_is_refused_and_the_first_stands(store: Store) -> None:
    first, other = message(1), message(1) | {"for": "tool"}
    receipts = await record(store, [delivery(dumped(first, other)), delivery(dumped(other))])
    receipts += await record(store, [delivery(dumped(other, first, message(2)))])
    assert [(one.stored, one.duplicate, _reasons(one)) for one in receipts] == [
        (1, 0, [(1, "contradicts")]),
        (0, 0, [(0, "contradicts")]),
        (1, 1, [(0, "contradicts")]),
    ]
    assert {row.body for row in await _refused(store)} == {json.dumps(other).encode()}


async def test_link_messages_are_kept_at_the_head_and_bad_ones_refused(store: Store) -> None:
    good = [b'{"v":1,"link":"up","boot":3}', b'{"v":1,"link":"down"}', b""]
    bad = {b"{": "not_json", b'{"v":2,"link":"up"}': "version_unsupported", b'{"v":1,"link":"left"}': "field_invalid"}
    receipts = await record(store, [Delivery(CELL, payload, "link", "link") for payload in (*good, *bad)])
    receipts += await record(store, [Delivery(STRANGER, good[0], "link", "link")])
    assert [_reasons(one) for one in receipts[3:]] == [[(0, why)] for why in (*bad.values(), "unknown_cell")]
    async with store.reading() as reading:
        head = (await reading.heads([CELL]))[CELL]
    assert (head.link, head.link_us, head.link_down_us) == ("down", NOW_US, NOW_US)


async def test_what_was_taken_in_is_counted_by_cell(store: Store) -> None:
    batch = dumped(snapshot(), message(1, extra=1), message(1, extra=2), message(2, v=2), message(3, colour="red"))
    await record(store, [delivery(batch), delivery(dumped(message(1)), TWIN), delivery(b"{")])
    async with store.reading() as reading:
        heads = await reading.heads([CELL, TWIN])
    assert heads[TWIN].counts == {"events": 1, "snapshots": 0, "duplicate": 0}
    assert heads[CELL].counts == {
        "events": 2,
        "snapshots": 1,
        "duplicate": 1,
        "refused": 2,
        "unknown_field:extra": 2,
        "unknown_field:colour": 1,
    }


_BOOTS, _SEQS = st.integers(1, 2), st.integers(1, 7)
_ZONES = st.sampled_from("12")
_ACTIVITIES = st.sampled_from(["process", "load", "setup"])
_MADE = st.one_of(st.none(), st.integers(0, 3))


@st.composite
def _good_messages(draw: st.DrawFn) -> dict[str, object]:
    """Return a message of a small cell; two of one key may contradict each other."""
    boot, seq, zone = draw(_BOOTS), draw(_SEQS), draw(_ZONES)
    place = {"seq": seq, "boot": boot, "second": 600 * boot + 20 * seq + draw(st.sampled_from([0, 0, 0, -50, -100]))}
    kind = draw(st.integers(0, 6))
    if kind == 0:
        return activity(draw(st.sampled_from(["begin", "end"])), draw(_ACTIVITIES), zone=zone, panel="p-1", **place)
    if kind == 1:
        return fastener(zone=zone, position=draw(st.sampled_from("12")), panel="p-1", **place)
    if kind == 2:
        return alarm(draw(st.sampled_from(["raise", "clear"])), "e-7", zone=draw(st.sampled_from([None, "1"])), **place)
    if kind == 3:
        return verdict(**place)
    if kind == 4:
        return message(type="tool_changed", **place)
    report = {"made": draw(_MADE), "activity": draw(st.one_of(st.none(), _ACTIVITIES))}
    zones = {zone: {name: value for name, value in report.items() if value is not None}, "1": {}}
    return snapshot(**place | {"seq": seq - 1}, zones=zones)


_TEXTS = st.one_of(
    _good_messages().map(lambda one: json.dumps(one).encode()),
    _good_messages().map(lambda one: json.dumps(one).encode()),
    st.sampled_from([text for text, _ in BAD.values() if len(text) < 10_000]),
    st.sampled_from(list(ODD.values())),
)
_ARRAYS = st.lists(_TEXTS, max_size=12).map(lambda texts: b"[" + b",".join(texts) + b"]")
_PAYLOADS = st.one_of(_ARRAYS, _ARRAYS, _TEXTS, st.sampled_from([b for b, _ in BAD_WHOLE.values() if len(b) < 999]))
_DELIVERIES = st.one_of(
    st.builds(delivery, _PAYLOADS, st.sampled_from([CELL, CELL, CELL, TWIN, STRANGER])),
    st.sampled_from([Delivery(CELL, b'{"v":1,"link":"down"}', "link", "link"), Delivery(CELL, b"{}", "link", "link")]),
)
_GROUPS = st.lists(st.lists(_DELIVERIES, min_size=1, max_size=4), min_size=1, max_size=4)


async def test_the_whole_corpus_gives_the_same_on_every_store(three_stores: dict[str, Store]) -> None:
    texts = [text for text, _ in (*BAD.values(), *BAD_WHOLE.values())] + list(ODD.values())
    answers = []
    for store in three_stores.values():
        alone = [delivery(text) for text in texts]
        receipts = await record(store, alone + [delivery(b"[" + text + b"]", TWIN) for text in texts])
        answers.append((receipts, await all_kept(store)))
    assert answers[0] == answers[1]
    assert answers[0] == answers[2]


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(groups=_GROUPS)
async def test_the_same_deliveries_give_the_same_on_every_store(
    three_stores: dict[str, Store], stores: Stores, groups: list[list[Delivery]]
) -> None:
    answers = []
    for url in three_stores:
        store = await stores.empty(url)
        receipts = [await record(store, group) for group in groups]
        answers.append((receipts, await all_kept(store)))
    assert answers[0] == answers[1]
    assert answers[0] == answers[2]


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(groups=_GROUPS)
async def test_every_message_is_stored_a_duplicate_or_refused(groups: list[list[Delivery]], stores: Stores) -> None:
    store = await stores.empty("memory")
    for group in groups:
        for one, receipt in zip(group, await record(store, group), strict=True):
            told = receipt.stored + receipt.duplicate + len(receipt.refused)
            assert told == 1 or one.payload.lstrip().startswith(b"[")
    kept = await all_kept(store)
    counts = [head.counts for head in kept["heads"].values()]
    assert sum(one.get("events", 0) for one in counts) == sum(len(kept[f"events {cell}"]) for cell in kept["heads"])
