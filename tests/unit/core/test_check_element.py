"""The quick look at a message's text and the walk through its values give the same verdict."""

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from zoneledger.core.decoding import Element, Refusal, check_element, check_values, split_payload

_PIECES = st.sampled_from(
    ["a", "é", "\x7f", "\x85", "\\u0000", "\\ud83d", "\\n", '\\"', "{", "[", "NaN", "Infinity", "1e5", "9" * 310]
)
_VALUES = st.sampled_from(
    [
        "1",
        "-0.5",
        "1e999",
        "-1E400",
        "NaN",
        "-Infinity",
        "9" * 310 + ".0",
        "{}",
        '{"b":{"c":1}}',
        "[]",
        "[[1e999]]",
        "null",
    ]
)


def _reason(check: object, *given: object) -> str | None:
    try:
        check(*given)  # type: ignore[operator]
    except Refusal as refusal:
        return refusal.reason
    return None


@given(text=st.lists(_PIECES, max_size=4).map("".join), value=_VALUES, twice=st.booleans())
@example(text="a", value="9" * 310 + ".0", twice=False)
def test_the_quick_look_refuses_what_the_walk_refuses(text: str, value: str, twice: bool) -> None:
    member = f'"k":{value}'
    payload = f'{{"t":"{text}",{member}{"," + member if twice else ""}}}'
    (element,) = split_payload(payload.encode())
    assert _reason(check_element, element) == _reason(check_values, element.value)


@pytest.mark.parametrize("value", [1, "x", [1], None, True])
def test_what_is_no_object_is_walked(value: object) -> None:
    assert _reason(check_element, Element(json.dumps(value), value)) == _reason(check_values, value)
