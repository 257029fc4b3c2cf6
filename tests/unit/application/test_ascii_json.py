"""JSON in ASCII: the same text as the standard library's, whichever of the two ways it is written."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zoneledger.application.ascii_json import ascii_json

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@pytest.mark.parametrize(
    "text", ["plain", 'a "quoted" \\ one', "\x00\x1f\x7f\n\r\t\b\f", "Ünïted", "\u2028", "😀", "\ud800", "/"]
)
def test_a_text_is_written_as_the_standard_library_writes_it(text: str) -> None:
    for value in (text, [1, None, True, text], {text: text}):
        written = ascii_json(value)
        assert written == json.dumps(value, separators=(",", ":"))
        assert written.isascii()
        assert "\n" not in written


@given(PLAIN)
def test_so_is_any_plain_value(value: Any) -> None:
    assert ascii_json(value) == json.dumps(value, separators=(",", ":"))
