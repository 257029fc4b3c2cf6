"""Reads the body of POST /v1/messages: whose messages they are, and the text of their array, just as it came."""

import re
from typing import Any

from zoneledger.api.problems import ApiError
from zoneledger.core.decoding import (
    MAX_MESSAGES,
    Element,
    Refusal,
    decode_text,
    decode_value,
    split_members,
    split_payload,
)

MAX_CELL = 200
SHAPE = 'The body should be an object {"cell": ..., "messages": [...]}, each given once.'

_TEXT = r'"[^"\\]*(?:\\.[^"\\]*)*"'
_MARK = re.compile(rf"{_TEXT}|[\[\]{{}},]", re.DOTALL)
_NAME = re.compile(rf"\s*({_TEXT})\s*:", re.DOTALL)
_DEPTH = {"[": 1, "{": 1, "]": -1, "}": -1}


def read_message_body(body: bytes) -> tuple[str, bytes]:
    """Return the cell's path and the array of messages as it came.

    Raises ApiError `body_invalid` for what is not JSON in UTF-8, `request_invalid` for another shape.
    """
    try:
        members = _members(decode_text(body))
        if members is None or members.keys() != {"cell", "messages"}:
            raise ApiError("request_invalid", SHAPE, _shape_faults(members))
        cell, messages = _cell(members["cell"].value), members["messages"].text.encode()
        _check_messages(messages)
    except Refusal as refusal:
        raise ApiError("body_invalid", f"The body should be JSON in UTF-8: {refusal.detail}.") from None
    return cell, messages


def _members(text: str) -> dict[str, Element] | None:
    try:
        return split_members(text)
    except Refusal as refusal:
        if refusal.reason != "too_deep":
            raise
        return _deep_members(text)


def _deep_members(text: str) -> dict[str, Element] | None:
    """Return the members of an object that is nested too deeply to be decoded whole: each is decoded where it can be."""
    members: dict[str, Element] = {}
    for piece in _pieces(text.strip()):
        found = _NAME.match(piece)
        if found is None or (name := str(decode_value(found[1]))) in members:
            return None
        own = piece[found.end() :].strip()
        members[name] = Element(own, _decoded(own))
    return members or None


def _pieces(text: str) -> list[str]:
    """Return what stands between the commas of an object; nothing for a text that is not one object."""
    pieces: list[str] = []
    depth, begin = 0, 1
    for found in _MARK.finditer(text):
        mark = found[0]
        depth += _DEPTH.get(mark, 0)
        if (depth == 1 and mark == ",") or depth == 0:
            pieces.append(text[begin : found.start()])
            begin = found.end()
        if depth == 0:
            break
    return pieces if text.startswith("{") and depth == 0 and begin == len(text) else []


def _decoded(text: str) -> Any:
    try:
        return decode_value(text)
    except Refusal as refusal:
        if refusal.reason != "too_deep":
            raise
        return refusal


def _shape_faults(members: dict[str, Element] | None) -> list[tuple[str, str]]:
    if members is None:
        return []
    missing = [(f"body/{name}", "must be given") for name in ("cell", "messages") if name not in members]
    unknown = [(f"body/{name[:100]}", "is not known here") for name in members if name not in ("cell", "messages")]
    return missing + unknown[:10]


def _cell(value: object) -> str:
    if not isinstance(value, str) or not 1 <= len(value) <= MAX_CELL or not value.isprintable():
        should = f"a cell's path, such as harbour/wing-1/cell-1, of 1 to {MAX_CELL} printable characters"
        raise ApiError("request_invalid", f"cell should be {should}.", [("body/cell", f"should be {should}")])
    return value


def _check_messages(payload: bytes) -> None:
    """Raise ApiError or Refusal for what is wrong with the array itself; what is wrong with a message is the recorder's to say."""
    try:
        if not payload.startswith(b"["):
            raise ApiError("request_invalid", "messages should be an array.", [("body/messages", "should be an array")])
        split_payload(payload)
    except Refusal as refusal:
        if refusal.reason != "too_many":
            raise
        should = f"should have at most {MAX_MESSAGES} entries; send the rest in another request"
        raise ApiError("request_invalid", f"messages {should}.", [("body/messages", should)]) from None
