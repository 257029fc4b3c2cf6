"""The contract's schema and its readers are of one mind about generated messages, right ones and spoilt ones."""

import copy
import json
from typing import Any

import jsonschema
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core import messages as m
from zoneledger.core.contract import message_schema
from zoneledger.core.decoding import Refusal, check_element, split_payload
from zoneledger.core.validation import read_checked

SCHEMA = message_schema()
MESSAGE = jsonschema.Draft202012Validator(SCHEMA)
PAYLOAD = MESSAGE.evolve(schema={"$ref": "#/$defs/payload", "$defs": SCHEMA["$defs"]})

LARGEST = 2**53 - 1
#: Texts and numbers at the bounds, within them and out of them; lone surrogates and what JSON has no number for are not among them.
texts = st.text(st.characters(codec="utf-8"), max_size=4) | st.sampled_from(
    ["", "x" * 200, "x" * 201, "x" * 1001, "bell\x07", "\x9f"]
)
counts = st.integers(-1, 3) | st.sampled_from([LARGEST, LARGEST + 1, 10**30])
zones = st.sampled_from(["1", "2", "zone-1", "x" * 40, "x" * 41, "", "Zone", "1 ", "ä"])
instants = st.sampled_from(
    [
        "2026-11-25T06:00:00Z",
        "2026-11-25t06:00:00.123456z",
        "2026-11-25T06:00:00.1+01:00",
        "2026-11-25T06:00:00-23:59",
        "2026-11-25T06:00:00",
        "2026-11-25 06:00:00Z",
        "2026-11-25T24:00:00Z",
        "2026-11-25T06:00:60Z",
        "2026-11-25T06:00:00.1234567Z",
        "2026-11-25T06:00:00+24:00",
        "2026-11-25T06:00Z",
    ]
)
#: What does not belong anywhere, and what only belongs somewhere else.
strange: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | counts
    | st.floats(allow_nan=False, allow_infinity=False).filter(lambda x: x % 1)
    | texts
    | zones,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=4,
)


def _one_of(choices: tuple[str, ...]) -> st.SearchStrategy[Any]:
    return st.sampled_from(choices)


phases = _one_of(("begin", "end"))
seconds = st.integers(-1, 86_401) | st.floats(0.25, 86_400.5).filter(lambda x: x % 1)
planned = st.fixed_dictionaries({"automatic": counts, "manual": counts}, optional={"shade": strange})
reports = st.fixed_dictionaries(
    {},
    optional={
        "activity": _one_of(m.ACTIVITIES),
        "program": texts,
        "panel": texts,
        "wait": _one_of(m.WAITS),
        "made": counts,
        "shade": strange,
    },
)
alarms = st.fixed_dictionaries({"code": texts, "severity": _one_of(m.SEVERITIES)}, optional={"zone": zones})
FIELDS: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "activity": (
        {"zone": zones, "activity": _one_of(m.ACTIVITIES), "phase": phases},
        {"program": texts, "panel": texts, "planned": planned, "outcome": _one_of(m.OUTCOMES)},
    ),
    "fastener": (
        {"zone": zones, "operation": _one_of(m.OPERATIONS), "result": _one_of(m.RESULTS)},
        {"item": texts, "position": texts, "panel": texts, "program": texts, "seconds": seconds},
    ),
    "alarm": (
        {"phase": _one_of(("raise", "clear")), "code": texts, "severity": _one_of(m.SEVERITIES)},
        {"zone": zones, "subsystem": texts, "text": texts},
    ),
    "wait": ({"zone": zones, "phase": phases, "for": _one_of(m.WAITS)}, {}),
    "verdict": ({"panel": texts, "position": texts, "result": _one_of(m.RESULTS)}, {"zone": zones, "by": texts}),
    "snapshot": (
        {
            "zones": st.dictionaries(zones, reports, max_size=2),
            # Two of one zone and code are what the schema cannot tell unless they are the same.
            "alarms": st.lists(alarms, max_size=3, unique_by=lambda one: (one.get("zone"), one["code"])),
        },
        {},
    ),
    "own": ({}, {"zone": zones, "data": strange}),
}


@st.composite
def messages(draw: st.DrawFn) -> Any:
    """Draw a message, right or with a value out of bounds, a field left out, one too many or a strange value in one's place."""
    kind = draw(st.sampled_from(sorted(FIELDS)))
    needed, optional = FIELDS[kind]
    common = {"v": st.just(1), "boot": counts, "seq": counts, "at": instants, "type": st.just(kind)}
    message: dict[str, Any] = draw(st.fixed_dictionaries(common | needed, optional=optional))
    spoil = draw(st.sampled_from(["no", "no", "drop", "add", "put"]))
    if spoil == "drop":
        del message[draw(st.sampled_from(sorted(message)))]
    elif spoil == "add":
        message[draw(st.sampled_from(["shade", "zones", "wait", "", "bad\x01"]))] = draw(strange)
    elif spoil == "put":
        message[draw(st.sampled_from(sorted(message)))] = draw(strange)
    return message


def _refusal(payload: bytes) -> str | None:
    try:
        elements = split_payload(payload)
        for element in elements:
            check_element(element)
            read_checked(element.value)
    except Refusal as refusal:
        return refusal.reason
    return None


@given(messages())
def test_the_schema_takes_exactly_the_messages_that_the_readers_take(message: Any) -> None:
    """But for what it cannot tell, which is not among these: nesting, days that there are not, `5.0`, repeats, surrogates."""
    refusal = _refusal(json.dumps(message).encode())
    assert MESSAGE.is_valid(message) is (refusal is None), refusal


@given(st.lists(messages(), min_size=1, max_size=3))
def test_the_schema_takes_the_payloads_that_the_readers_take(payload: list[Any]) -> None:
    assert PAYLOAD.is_valid(payload) is (_refusal(json.dumps(payload).encode()) is None)


@given(strange)
def test_what_is_no_message_at_all_is_none_to_either(value: Any) -> None:
    assert not MESSAGE.is_valid(value)
    assert not isinstance(value, list) or not value or _refusal(json.dumps(value).encode()) is not None


def test_right_messages_of_each_type_are_among_the_generated_ones() -> None:
    """Else the comparison would be one of refusals only."""
    right = {"v": 1, "boot": 1, "seq": 1, "at": "2026-11-25T06:00:00Z"}
    told: dict[str, dict[str, Any]] = {
        "activity": {"zone": "1", "activity": "load", "phase": "begin", "planned": {"automatic": 0, "manual": 3}},
        "fastener": {"zone": "1", "operation": "trim", "result": "good", "seconds": 0.25},
        "alarm": {"phase": "raise", "code": "a", "severity": "stop", "text": "x" * 1000},
        "wait": {"zone": "1", "phase": "end", "for": "tool"},
        "verdict": {"panel": "a", "position": "b", "result": "rework"},
        "snapshot": {"zones": {"1": {"made": 0}}, "alarms": [{"code": "a", "severity": "stop"}]},
        "own": {"data": {"a": [None]}},
    }
    for kind, fields in told.items():
        message = copy.deepcopy(right | fields | {"type": kind})
        assert _refusal(json.dumps(message).encode()) is None
        MESSAGE.validate(message)
