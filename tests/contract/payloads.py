"""Messages that keep the contract and payloads that break it, each beside the reason why it is refused."""

import json
from typing import Any

DEEP = b"[" * 100_000


def dumped(*messages: dict[str, Any]) -> bytes:
    """Return messages as one payload, an array."""
    return json.dumps(messages).encode()


def message(seq: int = 1, second: int = 1, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return a message, unless told the beginning of a wait in zone 1; a field given as None is left out."""
    at = f"2026-11-25T{6 + second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z"
    own: dict[str, Any] = (
        {"type": "wait", "zone": "1", "phase": "begin", "for": "panel"} if "type" not in fields else {}
    )
    whole = {"v": 1, "boot": boot, "seq": seq, "at": at, **own, **fields}
    return {name: value for name, value in whole.items() if value is not None}


def snapshot(seq: int = 0, second: int = 0, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return a snapshot, unless told of two zones in which nothing is."""
    whole = {"zones": {"1": {}, "2": {}}, "alarms": []} | fields
    return message(seq, second, boot, type="snapshot", **whole)


def fastener(seq: int = 1, second: int = 1, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return a fastener, unless told a good one in zone 1."""
    whole = {"zone": "1", "operation": "fasten", "result": "good"} | fields
    return message(seq, second, boot, type="fastener", **whole)


def activity(phase: str, name: str, seq: int = 1, second: int = 1, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return the begin or end of an activity, unless told in zone 1."""
    return message(seq, second, boot, type="activity", **{"zone": "1", "activity": name, "phase": phase} | fields)


def alarm(phase: str, code: str, seq: int = 1, second: int = 1, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return an alarm raised or cleared, unless told a stop of the whole cell."""
    whole = {"phase": phase, "code": code, "severity": "stop"} | fields
    return message(seq, second, boot, type="alarm", **whole)


def verdict(seq: int = 1, second: int = 1, boot: int = 1, **fields: Any) -> dict[str, Any]:
    """Return a verdict, unless told a reject of panel p-1, position 1."""
    return message(seq, second, boot, type="verdict", **{"panel": "p-1", "position": "1", "result": "reject"} | fields)


def _with(**fields: Any) -> bytes:
    return json.dumps(message(**fields)).encode()


def _raw(field: str, literal: str, **fields: Any) -> bytes:
    """Return a message with a field written as it stands."""
    return json.dumps(message(**{field: "RAW"} | fields)).replace('"RAW"', literal, 1).encode()


#: One message each that breaks the contract: its bytes as they stand in a payload, and why it is refused.
BAD: dict[str, tuple[bytes, str]] = {
    "a text": (b'"message"', "not_an_object"),
    "a number": (b"7", "not_an_object"),
    "null": (b"null", "not_an_object"),
    "an array in an array": (b"[]", "not_an_object"),
    "an object with nothing": (b"{}", "field_missing"),
    "NaN": (_raw("seconds", "NaN"), "not_finite"),
    "Infinity": (_raw("unknown", "-Infinity"), "not_finite"),
    "1e999": (_raw("boot", "1e999"), "not_finite"),
    "an integer of 5,000 digits": (_raw("boot", "1" * 5000), "not_finite"),
    "not UTF-8": (_raw("note", '"caf\\u00e9"').replace(b"\\u00e9", b"\xe9"), "not_utf8"),
    "half a surrogate pair": (_raw("for", '"\\ud800"'), "bad_text"),
    "half a pair in an unknown field's name": (_raw("a", '1, "\\udfff": 1'), "bad_text"),
    "NUL": (_raw("for", '"panel\\u0000"'), "bad_text"),
    "a control character": (_raw("note", '"\\u0007"'), "bad_text"),
    "a C1 control character": (_raw("note", '"\\u0085"'), "bad_text"),
    "a repeated field": (_raw("boot", '1, "boot": 1'), "repeated_field"),
    "a repeated field inside": (_raw("note", '{"a": 1, "a": 2}'), "repeated_field"),
    "nested 9 deep": (_raw("note", "[" * 8 + "]" * 8), "too_deep"),
    "nested 100,000 deep": (_raw("note", "[" * 100_000 + '"]"' + "]" * 100_000), "too_deep"),
    "version 2": (_with(v=2), "version_unsupported"),
    "version true": (_with(v=True), "version_unsupported"),
    "version 1.0": (_raw("v", "1.0"), "version_unsupported"),
    "no version": (_with(v=None), "field_missing"),
    "no boot": (_with(boot=None), "field_missing"),
    "no seq": (_with(seq=None), "field_missing"),
    "no at": (_with(at=None), "field_missing"),
    "no zone": (_with(zone=None), "field_missing"),
    "no phase": (_with(phase=None), "field_missing"),
    "a float for an integer": (_raw("boot", "1.0"), "field_invalid"),
    "an exponent for an integer": (_raw("seq", "1e0"), "field_invalid"),
    "a boolean for an integer": (_with(seq=True), "field_invalid"),
    "a text for an integer": (_with(seq="1"), "field_invalid"),
    "boot -1": (_with(boot=-1), "field_invalid"),
    "boot 2^53": (_with(boot=2**53), "field_invalid"),
    "seq 0 of an event": (_with(seq=0), "field_invalid"),
    "seq 2^64": (_with(seq=2**64), "field_invalid"),
    "a field that is null": (_raw("zone", "null"), "field_invalid"),
    "at without offset": (_with(at="2026-11-25T06:00:00"), "field_invalid"),
    "at with 7 digits": (_with(at="2026-11-25T06:00:00.1234567Z"), "field_invalid"),
    "a leap second": (_with(at="2026-11-25T05:59:60Z"), "field_invalid"),
    "year 0000": (_with(at="0000-11-25T06:00:00Z"), "field_invalid"),
    "a 30th of February": (_with(at="2026-02-30T06:00:00Z"), "field_invalid"),
    "at 24:00": (_with(at="2026-11-24T24:00:00Z"), "field_invalid"),
    "an offset of a day": (_with(at="2026-11-25T06:00:00+24:00"), "field_invalid"),
    "at as a number": (_with(at=1_795_586_400), "field_invalid"),
    "at with other digits": (_with(at="\u0662026-11-25T06:00:00Z"), "field_invalid"),
    "at in basic format": (_with(at="20261125T060000Z"), "field_invalid"),
    "6 s ahead of the clock": (_with(at="2026-11-25T12:00:06Z"), "ahead_of_clock"),
    "the end of time": (_with(at="9999-12-31T23:59:59.999999-23:59"), "ahead_of_clock"),
    "an unknown zone": (_with(zone="3"), "unknown_zone"),
    "a zone that is no name": (_with(zone="Zone 1"), "field_invalid"),
    "a zone of 41 characters": (_with(zone="z" * 41), "field_invalid"),
    "an unknown zone of an unknown type": (_with(type="tool", zone="3"), "unknown_zone"),
    "a verdict from an unknown zone": (json.dumps(verdict(zone="3")).encode(), "unknown_zone"),
    "an unknown cause": (_with(**{"for": "coffee"}), "field_invalid"),
    "a list for a cause": (_with(**{"for": ["panel"]}), "field_invalid"),
    "an empty type": (_with(type=""), "field_invalid"),
    "a type of 201 characters": (_with(type="t" * 201), "field_invalid"),
    "a code too long": (json.dumps(alarm("raise", "c" * 201)).encode(), "field_invalid"),
    "an alarm's text too long": (json.dumps(alarm("raise", "c", text="t" * 1001)).encode(), "field_invalid"),
    "an empty panel": (json.dumps(fastener(panel="")).encode(), "field_invalid"),
    "negative seconds": (json.dumps(fastener(seconds=-0.5)).encode(), "field_invalid"),
    "more seconds than a day has": (json.dumps(fastener(seconds=86_400.5)).encode(), "field_invalid"),
    "seconds that are true": (json.dumps(fastener(seconds=True)).encode(), "field_invalid"),
    "negative planned counts": (
        json.dumps(activity("begin", "process", planned={"automatic": -1, "manual": 0})).encode(),
        "field_invalid",
    ),
    "half of the planned counts": (
        json.dumps(activity("begin", "process", planned={"automatic": 1})).encode(),
        "field_missing",
    ),
    "a negative made": (json.dumps(snapshot(zones={"1": {"made": -1}})).encode(), "field_invalid"),
    "a snapshot without zones": (json.dumps(snapshot(zones=None)).encode(), "field_missing"),
    "a snapshot without alarms": (json.dumps(snapshot(alarms=None)).encode(), "field_missing"),
    "a snapshot's zones as a list": (json.dumps(snapshot(zones=["1"])).encode(), "field_invalid"),
    "a snapshot with one alarm twice": (
        json.dumps(snapshot(alarms=[{"code": "a", "severity": "stop"}, {"code": "a", "severity": "notice"}])).encode(),
        "field_invalid",
    ),
    "a snapshot of an unknown zone": (json.dumps(snapshot(zones={"7": {}})).encode(), "unknown_zone"),
    "a snapshot's alarm in an unknown zone": (
        json.dumps(snapshot(alarms=[{"zone": "7", "code": "a", "severity": "stop"}])).encode(),
        "unknown_zone",
    ),
    "a verdict without position": (json.dumps(verdict(position=None)).encode(), "field_missing"),
    "a verdict's unknown result": (json.dumps(verdict(result="fine")).encode(), "field_invalid"),
}

#: Payloads that are refused as a whole.
BAD_WHOLE: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "not_json"),
    "white space": (b" \n", "not_json"),
    "no JSON": (b"{", "not_json"),
    "a comma too many": (b"[{},]", "not_json"),
    "no comma": (b"[{} {}]", "not_json"),
    "an array that never ends": (b"[{}", "not_json"),
    "an array cut after a comma": (b"[{},", "not_json"),
    "two values": (b"{} {}", "not_json"),
    "something after the array": (b"[] x", "not_json"),
    "a control character in a text": (b'{"v": "\n"}', "not_json"),
    "nested deeper than can be, and cut": (DEEP, "not_json"),
    "a byte order mark": (b"\xef\xbb\xbf{}", "not_json"),
    "UTF-16": ("{}".encode("utf-16"), "not_utf8"),
    "bad bytes between messages": (b"[{}\xff, {}]", "not_utf8"),
    "an overlong encoding": (b"\xc0\xaf", "not_utf8"),
    "a surrogate pair in UTF-8": (b"\xed\xa0\x80\xed\xb0\x80", "not_utf8"),
    "1 byte too large": (b'"' + b"x" * (256 * 1024 - 1) + b'"', "too_large"),
    "1,001 messages": (b"[" + b"{}," * 1000 + b"{}]", "too_many"),
}
