"""Reads plain payloads quickly: nearly all messages are fasteners and activities, written as programs write JSON.

It takes only what the careful readers (`decoding`, `validation`) take without a word, and gives what they give; whatever is not
just so is left to them.
"""

from datetime import datetime, timedelta
from functools import lru_cache
from typing import Annotated, Literal

from msgspec import DecodeError, Meta, Struct
from msgspec.json import Decoder

from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES, Element, Refusal, decode_value, read_element
from zoneledger.core.messages import ActivityBegun, ActivityEnded, FastenerMade, Message, Planned
from zoneledger.core.validation import MAX_IDENTIFIER, MAX_INTEGER, MAX_SECONDS, ZONE, parse_instant, read_checked

_Identifier = Annotated[str, Meta(min_length=1, max_length=MAX_IDENTIFIER)]


_Count = Annotated[int, Meta(ge=0, le=MAX_INTEGER)]


class _Written(Struct, forbid_unknown_fields=True, gc=False, tag_field="type"):
    """What each message has, as it is written, but for the zone's name and the instant."""

    v: Literal[1]
    boot: _Count
    seq: Annotated[int, Meta(ge=1, le=MAX_INTEGER)]
    at: str
    zone: str


class _Fastener(_Written, tag="fastener"):
    operation: Literal["drill", "fasten", "trim"]
    result: Literal["good", "rework", "reject"]
    item: _Identifier | None = None
    position: _Identifier | None = None
    panel: _Identifier | None = None
    program: _Identifier | None = None
    seconds: Annotated[float, Meta(ge=0, le=MAX_SECONDS)] | None = None


class _Planned(Struct, forbid_unknown_fields=True, gc=False):
    automatic: _Count
    manual: _Count


class _Activity(_Written, tag="activity"):
    activity: Literal["process", "load", "unload", "setup"]
    phase: Literal["begin", "end"]
    program: _Identifier | None = None
    panel: _Identifier | None = None
    planned: _Planned | None = None
    outcome: Literal["completed", "aborted"] | None = None


_DECODER = Decoder(_Fastener | _Activity)
_EPOCH, _MICROSECOND = datetime(1970, 1, 1), timedelta(microseconds=1)
#: The quotation marks of the eight fields that each of them has and the five texts among their values.
_QUOTES = 2 * 8 + 2 * 5


_SECONDS_US = {f"{second:02}": second * 1_000_000 for second in range(60)}


@lru_cache(maxsize=1000)
def _minute_us(text: str) -> int | None:
    """Return the begin of a minute that is written as `2026-11-25T06:00:`, None where a text is not just so."""
    # By its length and where its marks are, it has none of the other forms that Python reads.
    whole = len(text) == 17 and text[4] == text[7] == "-" and text[10] == "T" and text[13] == text[16] == ":"
    if not whole or text[11:13] >= "24":
        return None
    try:
        return (datetime.fromisoformat(f"{text}00") - _EPOCH) // _MICROSECOND
    except ValueError:
        return None


def _instant_us(at: str) -> int:
    """Return what `parse_instant` does of an instant, and raise what it raises; in UTC, as most are, with less ado."""
    minute_us, second_us, rest = _minute_us(at[:17]), _SECONDS_US.get(at[17:19]), at[19:]
    if minute_us is not None and second_us is not None:
        if rest in ("Z", "+00:00"):
            return minute_us + second_us
        digits = rest[1:-1] if rest[-1:] == "Z" else rest[1:-6] if rest[-6:] == "+00:00" else ""
        if digits.isdigit() and rest[0] == "." and len(digits) in (3, 6):
            return minute_us + second_us + int(digits) * (1 if len(digits) == 6 else 1000)
    return parse_instant("at", at)


@lru_cache(maxsize=1000)
def _is_zone(name: str) -> bool:
    return ZONE.fullmatch(name) is not None


def _read_message(text: str) -> Message | None:
    """Return the fastener or activity that a plain text stands for; None where it is neither, or not valid beyond doubt."""
    try:
        f = _DECODER.decode(text)
        at_us = _instant_us(f.at)
    except (DecodeError, Refusal):
        return None
    if isinstance(f, _Fastener):
        texts = (f.item is not None) + (f.position is not None) + (f.panel is not None) + (f.program is not None)
        more = 4 * texts + 2 * (f.seconds is not None)
    else:
        texts = (f.program is not None) + (f.panel is not None) + (f.outcome is not None)
        more = 4 * texts + 6 * (f.planned is not None)
    # A field that stood twice, or null, which the contract does not have, has marks that no value accounts for.
    if text.count('"') != _QUOTES + more or not _is_zone(f.zone):
        return None
    if isinstance(f, _Fastener):
        told = f.zone, f.operation, f.result, f.item, f.position, f.panel, f.program, f.seconds
        return FastenerMade(f.boot, f.seq, at_us, *told)
    if f.phase == "end":
        return ActivityEnded(f.boot, f.seq, at_us, f.zone, f.activity, f.outcome)
    planned = f.planned and Planned(f.planned.automatic, f.planned.manual)
    return ActivityBegun(f.boot, f.seq, at_us, f.zone, f.activity, f.program, f.panel, planned)


def _read(text: str) -> Element:
    message = _read_message(text)
    return read_element(text.encode()) if message is None else Element(text, None, message)


def _is_plain(text: str) -> bool:
    """Whether a text is ASCII without escapes; of control characters the decoder takes only this one in a text."""
    return text.isascii() and "\\" not in text and "\x7f" not in text


def read_stored(text: str) -> Message:
    """Return the message of a text that was accepted before."""
    message = _read_message(text) if _is_plain(text) else None
    return read_checked(decode_value(text)) if message is None else message


def split_plain(payload: bytes) -> list[Element] | None:
    """Return what `split_payload` does of a plain payload, with the messages that are read quickly; None where it is not plain.

    Plain is ASCII without escapes or control characters, and in an array nothing but `},{` between the messages.
    """
    if len(payload) > MAX_PAYLOAD_BYTES or not payload.isascii() or not _is_plain(text := payload.decode("ascii")):
        return None
    if text[:1] == "{" and text[-1:] == "}":
        texts = [text]
    elif text[:2] == "[{" and text[-2:] == "}]":
        texts = [f"{{{part}}}" for part in text[2:-2].split("},{")]
    else:
        return None
    try:
        return [_read(one) for one in texts] if len(texts) <= MAX_MESSAGES else None
    except Refusal:
        return None
