"""From a payload's bytes to its messages' JSON values, each beside its own text, or to the reason why not."""

import json
import re
from math import isfinite
from typing import Any, Literal

from msgspec import Struct

from zoneledger.core.messages import Message

#: Why a message or a payload is refused: the codes that programs are told.
Reason = Literal[
    "too_large",
    "empty",
    "not_utf8",
    "not_json",
    "too_many",
    "too_deep",
    "not_an_object",
    "repeated_field",
    "bad_text",
    "not_finite",
    "version_unsupported",
    "field_missing",
    "field_invalid",
    "unknown_cell",
    "unknown_zone",
    "ahead_of_clock",
    "contradicts",
    "not_kept",
    "internal_error",
]

MAX_PAYLOAD_BYTES = 256 * 1024
MAX_MESSAGES = 1000
MAX_DEPTH = 8

_SPACE = re.compile(r"[ \t\n\r]*")
_FORBIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")


class Refusal(Exception):
    """A message or payload breaks the contract: `reason` is a code, `detail` one sentence."""

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason: Reason = reason
        self.detail = detail


class RepeatedFields(dict[str, Any]):
    """An object in which a field stood twice: refused as soon as a message holds one."""


class Element(Struct, frozen=True):
    """One message of a payload: its own text and the value that it stands for, or the Refusal why it stands for none.

    In the text, a byte that is not UTF-8 is half a surrogate pair (PEP 383). `message` is there once it was read and is valid. Where
    it was read with the text, it has no field that the contract does not have, and `value` is None.
    """

    text: str
    value: Any = None
    message: Message | None = None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    value = dict(pairs)
    return value if len(value) == len(pairs) else RepeatedFields(value)


def _number(digits: str) -> int | float:
    """Return an integer; one that no message may hold is infinite, rather than an error that costs its whole payload."""
    return int(digits) if len(digits) < 100 else float(digits)


_DECODER = json.JSONDecoder(object_pairs_hook=_object)
_PATIENT_DECODER = json.JSONDecoder(object_pairs_hook=_object, parse_int=_number)
_STRUCTURE = re.compile(r'"[^"\\]*(?:\\.[^"\\]*)*"|[\[{]|[\]}]', re.DOTALL)


def check_size(size: int) -> None:
    """Raise Refusal `too_large` for a payload of more bytes than are taken."""
    if size > MAX_PAYLOAD_BYTES:
        raise Refusal("too_large", f"the payload has {size} bytes; at most {MAX_PAYLOAD_BYTES} are taken")


def decode_text(payload: bytes) -> str:
    """Return the payload's text; raise Refusal `too_large`, `empty` or `not_utf8`."""
    check_size(len(payload))
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        raise Refusal("not_utf8", f"byte {error.start} of the payload is not UTF-8") from None
    if _skip(text, 0) == len(text):
        raise Refusal("empty", f"the payload is empty{' but for white space' if text else ''}")
    return text


def _decode_at(text: str, start: int, decoder: json.JSONDecoder = _DECODER) -> tuple[Any, int]:
    try:
        return decoder.raw_decode(text, start)
    except json.JSONDecodeError as error:
        raise Refusal("not_json", f"not JSON at character {error.pos}: {error.msg}") from None
    except ValueError:  # Python reads no integer of more than 4,300 digits
        return _decode_at(text, start, _PATIENT_DECODER)
    except RecursionError:
        return Refusal("too_deep", f"nested deeper than {MAX_DEPTH}"), _end_of_nesting(text, start)


def _end_of_nesting(text: str, start: int) -> int:
    """Return where a value that is nested too deeply to be decoded ends, so that it costs no other message."""
    depth = 0
    for match in _STRUCTURE.finditer(text, start):
        depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(match[0][0], 0)
        if depth == 0:
            return match.end()
    raise Refusal("not_json", "not JSON: the text ends before its last closing bracket")


def _skip(text: str, position: int) -> int:
    match = _SPACE.match(text, position)
    return match.end() if match else position


def _expect_end(text: str, position: int) -> None:
    if _skip(text, position) != len(text):
        raise Refusal("not_json", f"not JSON at character {position}: something follows the end")


def decode_value(text: str) -> Any:
    """Return the one JSON value of a text; raise Refusal `not_json` or `too_deep`."""
    value, end = _decode_at(text, _skip(text, 0))
    _expect_end(text, end)
    if isinstance(value, Refusal):
        raise value
    return value


def split_payload(payload: bytes) -> list[Element]:
    """Return the messages of a payload, one or an array of at most 1,000, unchecked but for being JSON.

    An element's value is a Refusal where only that message cannot be read: `too_deep`, `not_utf8`. Raises Refusal for
    the whole payload: `too_large`, `empty`, `not_utf8`, `not_json`, `too_many`.
    """
    try:
        return _split_text(decode_text(payload))
    except Refusal as refusal:
        if refusal.reason != "not_utf8":
            raise
        return _split_bad_utf8(payload, refusal)


def _split_bad_utf8(payload: bytes, refusal: Refusal) -> list[Element]:
    """Tell the messages that hold the bad bytes from the others; raise `refusal` where the bytes are in none."""
    try:
        elements = _split_text(payload.decode(errors="surrogateescape"))
    except Refusal:
        raise refusal from None
    return [one if _is_unicode(one.text) else Element(one.text, refusal) for one in elements]


def _is_unicode(text: str) -> bool:
    return not any("\ud800" <= character <= "\udfff" for character in text)


def read_element(body: bytes) -> Element:
    """Return the one message that bytes are, as `split_payload` tells it; an array is none of messages here, but one itself.

    Raises Refusal `too_large`, `empty` or `not_json`.
    """
    try:
        return _only_element(decode_text(body))
    except Refusal as refusal:
        if refusal.reason != "not_utf8":
            raise
        return Element(body.decode(errors="surrogateescape"), refusal)


def _only_element(text: str) -> Element:
    start = _skip(text, 0)
    value, end = _decode_at(text, start)
    _expect_end(text, end)
    return Element(text[start:end], value)


def _split_text(text: str) -> list[Element]:
    start = _skip(text, 0)
    return _split_array(text, start) if text[start : start + 1] == "[" else [_only_element(text)]


def _split_array(text: str, start: int) -> list[Element]:
    elements: list[Element] = []
    position = _skip(text, start + 1)
    if text[position : position + 1] == "]":
        _expect_end(text, position + 1)
        return elements
    while True:
        value, end = _decode_at(text, position)
        elements.append(Element(text[position:end], value))
        if len(elements) > MAX_MESSAGES:
            raise Refusal("too_many", f"more than {MAX_MESSAGES} messages in one payload")
        position = _skip(text, end)
        mark = text[position : position + 1]
        if mark == "]":
            _expect_end(text, position + 1)
            return elements
        if mark != ",":
            raise Refusal("not_json", f"not JSON at character {position}: a comma or a closing bracket is missing")
        position = _skip(text, position + 1)


def split_members(text: str) -> dict[str, Element] | None:
    """Return the members of a JSON object, each with its own text, or None for a value that is no object with plain names.

    Raises Refusal `not_json` or `too_deep`. Of a name that stands twice there is no telling which is meant: None.
    """
    start = _skip(text, 0)
    value = decode_value(text)
    if not isinstance(value, dict) or isinstance(value, RepeatedFields):
        return None
    members: dict[str, Element] = {}
    position = _skip(text, start + 1)
    while text[position : position + 1] == '"':
        name, position = _decode_at(text, position)
        position = _skip(text, _skip(text, position) + 1)
        _, end = _decode_at(text, position)
        members[name] = Element(text[position:end], value[name])
        position = _skip(text, _skip(text, end) + 1)
    return members


def check_element(element: Element) -> None:
    """Raise Refusal as `check_values` does, without a walk where the text itself shows that there is nothing to find."""
    value, text = element.value, element.text
    flat = type(value) is dict and text.count("{") == 1 and "[" not in text
    plain = text.isascii() and "\\" not in text and "\x7f" not in text
    if not (flat and plain and all(isfinite(entry) for entry in value.values() if type(entry) is float)):
        check_values(value)


def check_values(value: Any, depth: int = 1) -> None:
    """Raise Refusal where a value, at any depth, is one that no message may hold.

    Reasons: `too_deep`, `repeated_field`, `not_finite`, `bad_text` (control characters or lone surrogates).
    """
    if isinstance(value, str):
        if _FORBIDDEN.search(value):
            raise Refusal("bad_text", "a text holds a control character or half a surrogate pair")
    elif isinstance(value, float):
        if not isfinite(value):
            raise Refusal("not_finite", "a number is not finite")
    elif isinstance(value, (dict, list)):
        _check_inside(value, depth)


def _check_inside(value: dict[str, Any] | list[Any], depth: int) -> None:
    if depth > MAX_DEPTH:
        raise Refusal("too_deep", f"nested deeper than {MAX_DEPTH}")
    if isinstance(value, list):
        for entry in value:
            check_values(entry, depth + 1)
        return
    if isinstance(value, RepeatedFields):
        raise Refusal("repeated_field", "a field stands twice in one object")
    for name, entry in value.items():
        check_values(name)
        check_values(entry, depth + 1)
