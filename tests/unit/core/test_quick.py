"""The quick reading of plain payloads takes nothing and gives nothing but what the careful readers do."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.decoding import Element, Refusal, check_element, split_payload
from zoneledger.core.messages import ActivityBegun, ActivityEnded, FastenerMade, Message
from zoneledger.core.quick import split_plain
from zoneledger.core.validation import read_checked, unknown_fields

FASTENER: dict[str, Any] = {
    "v": 1,
    "boot": 7,
    "seq": 12,
    "at": "2026-11-25T06:00:00.25+01:00",
    "type": "fastener",
    "zone": "1",
    "operation": "fasten",
    "result": "good",
    "item": "lb-8",
    "position": "p-12",
    "panel": "skin-left-0001",
    "program": "skin-left",
    "seconds": 3.75,
}
ACTIVITY: dict[str, Any] = {
    "v": 1,
    "boot": 7,
    "seq": 14,
    "at": "2026-11-25T05:00:02Z",
    "type": "activity",
    "zone": "2",
    "activity": "process",
    "phase": "begin",
    "program": "skin-left",
    "panel": "skin-left-0001",
    "planned": {"automatic": 260, "manual": 29},
    "outcome": "completed",
}
OTHER = {
    "v": 1,
    "boot": 7,
    "seq": 13,
    "at": "2026-11-25T05:00:01Z",
    "type": "wait",
    "zone": "2",
    "phase": "begin",
    "for": "head",
}


def _careful(element: Element) -> Message | str:
    try:
        check_element(element)
        return read_checked(element.value)
    except Refusal as refusal:
        return refusal.reason


def _is_held(payload: bytes) -> bool:
    """Hold the quick reading, if there is one, against the careful one; return whether there is."""
    quick = split_plain(payload)
    if quick is None:
        return False
    careful = split_payload(payload)
    assert [one.text for one in quick] == [one.text for one in careful]
    for one, other in zip(quick, careful, strict=True):
        if one.message is None:
            assert one.value == other.value
        else:
            assert one.message == _careful(other)
            assert not unknown_fields(other.value)
    return True


def _read(payload: bytes) -> list[type[Message] | None]:
    assert _is_held(payload)
    return [type(one.message) if one.message else None for one in split_plain(payload) or []]


def test_a_fastener_is_read_quickly_and_others_beside_it_are_left_to_the_careful_readers() -> None:
    assert _read(json.dumps(FASTENER).encode()) == [FastenerMade]
    both = json.dumps([FASTENER, OTHER, FASTENER], separators=(",", ":")).encode()
    assert _read(both) == [FastenerMade, None, FastenerMade]


def test_begins_and_ends_of_activities_are_read_quickly() -> None:
    ended = ACTIVITY | {"phase": "end"}
    texts = json.dumps([ACTIVITY, ended, FASTENER], separators=(",", ":")).encode()
    assert _read(texts) == [ActivityBegun, ActivityEnded, FastenerMade]


@pytest.mark.parametrize("left_out", ["program", "panel", "planned", "outcome"])
@pytest.mark.parametrize("phase", ["begin", "end"])
def test_what_an_activity_need_not_have_may_be_left_out(left_out: str, phase: str) -> None:
    value = {name: entry for name, entry in ACTIVITY.items() if name != left_out} | {"phase": phase}
    assert _read(json.dumps(value).encode()) == [ActivityBegun if phase == "begin" else ActivityEnded]


@pytest.mark.parametrize("left_out", ["item", "position", "panel", "program", "seconds"])
def test_what_a_fastener_need_not_have_may_be_left_out(left_out: str) -> None:
    value = {name: entry for name, entry in FASTENER.items() if name != left_out}
    assert _read(json.dumps(value).encode()) == [FastenerMade]


@pytest.mark.parametrize(
    "text",
    [
        json.dumps(FASTENER | {"own": 1}),
        json.dumps(FASTENER | {"item": None}),
        json.dumps(FASTENER | {"seconds": 86_400.5}),
        json.dumps(FASTENER | {"seq": 0}),
        json.dumps(FASTENER | {"boot": 2**53}),
        json.dumps(FASTENER | {"zone": "Left"}),
        json.dumps(FASTENER | {"v": True}),
        json.dumps(FASTENER | {"at": "2026-11-25"}),
        json.dumps(FASTENER | {"item": ""}),
        json.dumps(FASTENER | {"item": "x" * 201}),
        json.dumps(FASTENER).replace('"seconds": 3.75', '"seconds": 3.75, "seconds": 4'),
        json.dumps(FASTENER).replace('"seconds": 3.75', '"item": "lb-8"'),
        json.dumps(FASTENER).replace("3.75", "NaN"),
        json.dumps(FASTENER).replace("3.75", "1e999"),
        json.dumps(ACTIVITY | {"planned": None}),
        json.dumps(ACTIVITY | {"planned": {"automatic": 260}}),
        json.dumps(ACTIVITY | {"planned": {"automatic": 260, "manual": -1}}),
        json.dumps(ACTIVITY | {"planned": {"automatic": 260, "manual": 29, "other": 1}}),
        json.dumps(ACTIVITY | {"outcome": "left"}),
        json.dumps(ACTIVITY | {"activity": "rest"}),
        json.dumps(ACTIVITY).replace('"manual": 29', '"manual": 28, "manual": 29'),
    ],
)
def test_what_is_not_valid_beyond_doubt_is_left_to_the_careful_readers(text: str) -> None:
    quick = split_plain(text.encode())
    assert quick is None or quick[0].message is None


@pytest.mark.parametrize(
    "payload",
    [
        b'{"a":"},{"}',
        b'[{"a":"},{"},{"b":1}]',
        b'[{"a":"},{"}, {"b":1}]',
        b'[{"a":[{"b":1},{"c":2}]},{"d":3}]',
        b'[{"a":1},{"b":2}',
        b'[{"a":1}},{"b":2}]',
        b"[{}]",
        b"{}",
        b"{},{}",
        b"[{},{}]",
        b'[{"a":1},{"b":2}]]',
    ],
)
def test_a_payload_is_taken_apart_where_its_messages_end_or_left(payload: bytes) -> None:
    _is_held(payload)


_TEXTS = st.text(st.sampled_from('ab1-"{}[],:\\ \té\x7f'), max_size=6)
_VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-2, 2**54),
    st.floats(-1, 90_000),
    _TEXTS,
    st.just({"automatic": 3, "manual": 0}),
)
_NAMES = st.sampled_from([*FASTENER, *ACTIVITY, "own"])
_MESSAGES = st.sampled_from([FASTENER, ACTIVITY])


@given(
    st.lists(st.dictionaries(_NAMES, _VALUES, max_size=3), min_size=1, max_size=3),
    st.sampled_from([(",", ":"), (", ", ": "), (",", " : ")]),
    st.booleans(),
    _MESSAGES,
)
def test_whatever_stands_in_a_message_the_quick_reading_agrees_with_the_careful_one(
    changes: list[dict[str, Any]], separators: tuple[str, str], escaped: bool, told: dict[str, Any]
) -> None:
    texts = [json.dumps(told | change, separators=separators, ensure_ascii=escaped) for change in changes]
    _is_held(texts[0].encode())
    _is_held(f"[{','.join(texts)}]".encode())


@given(st.lists(st.tuples(_NAMES, _VALUES), max_size=4), _MESSAGES)
def test_fields_that_stand_twice_are_never_read_quickly(more: list[tuple[str, Any]], told: dict[str, Any]) -> None:
    more = [(name, value) for name, value in more if name in told or name == "own"]
    pairs = [*told.items(), *more]
    text = "{" + ",".join(f"{json.dumps(name)}:{json.dumps(value)}" for name, value in pairs) + "}"
    assert (
        not more or not _is_held(text.encode()) or all(one.message is None for one in split_plain(text.encode()) or [])
    )


@pytest.mark.parametrize("offset", ["Z", "z", "+00:00", "-00:00", "+01:00", "+24:00", "+00:60", "+0000", ""])
@pytest.mark.parametrize(
    "time",
    [
        "2026-11-25T06:00:00",
        "2026-11-25t06:00:00",
        "2026-11-25 06:00:00",
        "2026-11-25T06:00:00.2",
        "2026-11-25T06:00:00.250",
        "2026-11-25T06:00:00,250",
        "2026-11-25T06:00:00.+01",
        "2026-11-25T06:00:00.25 ",
        "2026-11-25T06:00:00.250000",
        "2026-11-25T06:00:00.2500001",
        "2026-11-25T24:00:00",
        "2026-11-25T23:59:60",
        "2026-11-25T23:60:00",
        "2026-02-29T06:00:00",
        "2024-02-29T06:00:00.999999",
        "0000-01-01T00:00:00",
        "9999-12-31T23:59:59.999999",
        "2026-W48-3T06:00:00",
        "20261125T060000.250",
        "+026-11-25T06:00:00",
    ],
)
def test_an_instant_is_the_one_that_the_careful_readers_read(time: str, offset: str) -> None:
    payload = json.dumps(FASTENER | {"at": time + offset}).encode()
    (element,) = split_payload(payload)
    held = _is_held(payload)
    assert held or isinstance(_careful(element), str)
    assert time != "2026-11-25T06:00:00.250" or not offset.startswith("Z") or held
