"""How a payload's bytes come apart into messages, each with its own text."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.core.decoding import MAX_DEPTH, Refusal, check_values, decode_value, read_element, split_payload

_SPACE = st.text(" \t\r\n", max_size=3)
_SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(allow_nan=False), st.text(max_size=8)
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=3), inner, max_size=3)),
)


@st.composite
def _written(draw: st.DrawFn, value: Any) -> str:
    """Return JSON text of a value, with separators and escapes as anyone may write them."""
    separators = (f"{draw(_SPACE)},{draw(_SPACE)}", f"{draw(_SPACE)}:{draw(_SPACE)}")
    return json.dumps(value, separators=separators, ensure_ascii=draw(st.booleans()))


_ELEMENTS = st.lists(_VALUES, max_size=6).flatmap(lambda values: st.tuples(*map(_written, values)))


def _unlike_surrogates(text: str) -> bool:
    return not any("\ud800" <= character <= "\udfff" for character in text)


@given(
    texts=_ELEMENTS.filter(lambda texts: all(map(_unlike_surrogates, texts))),
    space=st.lists(_SPACE, min_size=4, max_size=4),
)
def test_the_messages_of_an_array_keep_their_own_text(texts: tuple[str, ...], space: list[str]) -> None:
    before, after, left, right = space
    payload = f"{before}[{left}" + f"{left},{right}".join(texts) + f"{right}]{after}"
    elements = split_payload(payload.encode())
    assert [one.text for one in elements] == list(texts)
    assert [one.value for one in elements] == [json.loads(text) for text in texts]


@given(value=_VALUES.filter(lambda value: not isinstance(value, list)).flatmap(_written).filter(_unlike_surrogates))
def test_a_payload_that_is_no_array_is_one_message(value: str) -> None:
    (element,) = split_payload(f" \n{value}\t".encode())
    assert element.text == value
    assert element.value == json.loads(value)


@given(payload=st.one_of(st.binary(), st.text('[]{},:"\\ 1eNau\n').map(str.encode)))
def test_whatever_bytes_come_are_split_or_refused(payload: bytes) -> None:
    texts, reason = _split_or_why_not(payload)
    assert reason in {None, "empty", "not_json", "not_utf8"}
    assert all(text.encode(errors="surrogateescape") in payload for text in texts)


def _split_or_why_not(payload: bytes) -> tuple[list[str], str | None]:
    try:
        return [one.text for one in split_payload(payload)], None
    except Refusal as refusal:
        return [], refusal.reason


def _nested(depth: int) -> str:
    return "[" * depth + '"]\\"["' + "]" * depth


@pytest.mark.parametrize("depth", [500, 5_000, 60_000])
def test_a_message_nested_too_deeply_costs_no_other(depth: int) -> None:
    elements = split_payload(f'[{{"a": 1}}, {{"b": {_nested(depth)}}} , 2]'.encode())
    assert [one.text for one in elements] == ['{"a": 1}', f'{{"b": {_nested(depth)}}}', "2"]
    with pytest.raises(Refusal) as refusal:
        _check(elements[1].value)
    assert refusal.value.reason == "too_deep"


def _check(value: Any) -> None:
    if isinstance(value, Refusal):
        raise value
    check_values(value)


def test_an_integer_too_long_to_read_costs_no_other_message() -> None:
    first, second, third = split_payload(b"[1, -" + b"9" * 10_000 + b', {"a": 12345678901234567890}]')
    assert (first.value, second.value) == (1, float("-inf"))
    assert third.value == {"a": 12345678901234567890}


def test_bytes_that_are_no_utf8_cost_only_their_message() -> None:
    payload = '["é", "'.encode() + b'\xe9", "\xc3\xa9"]'
    first, second, third = split_payload(payload)
    assert (first.value, third.value) == ("é", "é")
    assert isinstance(second.value, Refusal)
    assert second.text.encode(errors="surrogateescape") == b'"\xe9"'


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("NaN", "not_finite"),
        ('{"a": [-Infinity]}', "not_finite"),
        ("1e999", "not_finite"),
        ('"\\u0000"', "bad_text"),
        ('"\\u001f"', "bad_text"),
        ('"\\u007f"', "bad_text"),
        ('"\\u009f"', "bad_text"),
        ('"\\ud800"', "bad_text"),
        ('"\\udc00\\ud800"', "bad_text"),
        ('[{"a\\u0001": 1}]', "bad_text"),
        ('{"a": 1, "\\u0061": 2}', "repeated_field"),
        ('[{"a": {"b": 1, "b": 1}}]', "repeated_field"),
        (_nested(MAX_DEPTH + 1), "too_deep"),
    ],
)
def test_a_value_that_no_message_may_hold_is_refused_wherever_it_stands(text: str, reason: str) -> None:
    with pytest.raises(Refusal) as refusal:
        check_values(decode_value(text))
    assert refusal.value.reason == reason


@pytest.mark.parametrize("text", ['"\\ud83d\\udd27"', _nested(MAX_DEPTH), '{"a": {"a": 1}}', "-0", "1e308", '"\u00a0"'])
def test_a_value_that_only_looks_strange_is_taken(text: str) -> None:
    check_values(decode_value(text))


@pytest.mark.parametrize(
    ("text", "reason"), [("[" * 99_999 + "]" * 99_999, "too_deep"), ("1 1", "not_json"), ("", "not_json")]
)
def test_one_value_by_itself_is_read_or_refused(text: str, reason: str) -> None:
    with pytest.raises(Refusal) as refusal:
        decode_value(text)
    assert refusal.value.reason == reason


@pytest.mark.parametrize(
    "text", [b'{"v": 1}', b"[]", b'[{"v": 1}, 2]', b"7", b'{"a": {"a": 1, "a": 2}}', b'"\xc3\xa9"']
)
def test_a_message_cut_out_of_an_array_is_read_again_as_the_same_message(text: bytes) -> None:
    assert [read_element(text)] == split_payload(b"[0, " + text + b"]")[1:]


@pytest.mark.parametrize(("text", "reason"), [(b'"\xff"', "not_utf8"), (b"[" * 99_999 + b"]" * 99_999, "too_deep")])
def test_a_message_that_could_not_be_read_is_the_same_again(text: bytes, reason: str) -> None:
    again = read_element(text)
    assert (again.text.encode(errors="surrogateescape"), again.value.reason) == (text, reason)


@pytest.mark.parametrize("text", [b"{", b"1 2", b"1,2", "\u00a0".encode()])
def test_bytes_that_are_not_one_message_are_refused(text: bytes) -> None:
    with pytest.raises(Refusal) as refusal:
        read_element(text)
    assert refusal.value.reason == "not_json"


@pytest.mark.parametrize(
    ("payload", "detail"), [(b"", "the payload is empty"), (b" \r\n\t", "the payload is empty but for white space")]
)
@pytest.mark.parametrize("read", [split_payload, read_element])
def test_a_payload_with_nothing_in_it_is_said_to_be_empty(
    read: Callable[[bytes], object], payload: bytes, detail: str
) -> None:
    with pytest.raises(Refusal) as refusal:
        read(payload)
    assert (refusal.value.reason, refusal.value.detail) == ("empty", detail)
