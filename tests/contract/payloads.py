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
    "half a pair, the wrong way round": (_raw("note", '"\\udc00\\ud800"'), "bad_text"),
    "a delete character": (_raw("note", '"\x7f"'), "bad_text"),
    "NaN inside": (_raw("note", '{"a": [1, NaN]}'), "not_finite"),
    "-1e999 seconds": (_raw("seconds", "-1e999"), "not_finite"),
    "an integer of 200,000 digits": (_raw("note", "7" * 200_000), "not_finite"),
    "a repeated field, once with escapes": (_raw("boot", '1, "\\u0062oot": 1'), "repeated_field"),
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
    "seq -1": (_with(seq=-1), "field_invalid"),
    "a type that is a list": (_with(type=["wait"]), "field_invalid"),
    "a phase in capitals": (_with(phase="BEGIN"), "field_invalid"),
    "messages in an array of their own": (b"[" + _with() + b"]", "not_an_object"),
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
    "a zone with a space behind it": (_with(zone="1 "), "field_invalid"),
    "a zone of a wide digit": (_with(zone="\uff11"), "field_invalid"),
    "an empty zone": (_with(zone=""), "field_invalid"),
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
    "a snapshot's zone that is null": (json.dumps(snapshot(zones={"1": None})).encode(), "field_invalid"),
    "a snapshot's alarm that is null": (json.dumps(snapshot(alarms=[None])).encode(), "field_invalid"),
    "a snapshot's wait for nothing": (json.dumps(snapshot(zones={"1": {"wait": ""}})).encode(), "field_invalid"),
    "a snapshot with boot -1": (json.dumps(snapshot(boot=-1)).encode(), "field_invalid"),
    "a snapshot of an unknown zone": (json.dumps(snapshot(zones={"7": {}})).encode(), "unknown_zone"),
    "a snapshot's alarm in an unknown zone": (
        json.dumps(snapshot(alarms=[{"zone": "7", "code": "a", "severity": "stop"}])).encode(),
        "unknown_zone",
    ),
    "a verdict without position": (json.dumps(verdict(position=None)).encode(), "field_missing"),
    "a verdict's unknown result": (json.dumps(verdict(result="fine")).encode(), "field_invalid"),
}

#: Those that are refused as a payload by themselves, too: an array is a payload of what it holds.
BAD_ALONE = {name: entry for name, entry in BAD.items() if not entry[0].startswith(b"[")}

#: Payloads that are refused as a whole.
BAD_WHOLE: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "empty"),
    "white space": (b" \n", "empty"),
    "no JSON": (b"{", "not_json"),
    "a comma too many": (b"[{},]", "not_json"),
    "no comma": (b"[{} {}]", "not_json"),
    "an array that never ends": (b"[{}", "not_json"),
    "an array cut after a comma": (b"[{},", "not_json"),
    "two values": (b"{} {}", "not_json"),
    "something after the array": (b"[] x", "not_json"),
    "a control character in a text": (b'{"v": "\n"}', "not_json"),
    "a line for each message": (_with() + b"\n" + _with(seq=2), "not_json"),
    "single quotes": (b"{'v': 1}", "not_json"),
    "a comment": (b'{"v": 1} // one', "not_json"),
    "a number with a leading zero": (b'{"v": 01}', "not_json"),
    "XML": (b"<message v='1'/>", "not_json"),
    "NUL behind a message": (_with() + b"\0", "not_json"),
    "UTF-16 without a byte order mark": ("{}".encode("utf-16-le"), "not_json"),
    "256 KiB of space": (b" " * (256 * 1024), "empty"),
    "256 KiB of brackets": (b"[" * (256 * 1024), "not_json"),
    "a compressed message": (b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03\xab\xae\x05\x00", "not_utf8"),
    "nested deeper than can be, and cut": (DEEP, "not_json"),
    "a byte order mark": (b"\xef\xbb\xbf{}", "not_json"),
    "UTF-16": ("{}".encode("utf-16"), "not_utf8"),
    "bad bytes between messages": (b"[{}\xff, {}]", "not_utf8"),
    "an overlong encoding": (b"\xc0\xaf", "not_utf8"),
    "a surrogate pair in UTF-8": (b"\xed\xa0\x80\xed\xb0\x80", "not_utf8"),
    "1 byte too large": (b'"' + b"x" * (256 * 1024 - 1) + b'"', "too_large"),
    "1,001 messages": (b"[" + b"{}," * 1000 + b"{}]", "too_many"),
}


def _own(boot: int, literal: str) -> bytes:
    """Return the first event of a boot, of a type that the contract does not have, with a field written as it stands."""
    return _raw("data", literal, boot=boot, type="own")


def _odd(boot: int, **fields: Any) -> bytes:
    return json.dumps(message(boot=boot, **fields), ensure_ascii=False).encode()


#: Messages that look wrong and keep the contract, each the first event of a boot of its own.
ODD: dict[str, bytes] = {
    "boot 0": _odd(0),
    "an unknown type with nothing else": _odd(101, type="own", zone=None),
    "nested 8 deep": _own(102, "[" * 7 + "]" * 7),
    "an integer of 4,000 digits": _own(103, "9" * 4000),
    "the largest number": _own(104, "1.7976931348623157e308"),
    "a number too small to tell from 0": _own(105, "1e-400"),
    "minus 0": _own(106, "-0.0"),
    "a pair of surrogates": _own(107, '"\\ud83d\\ude00"'),
    "characters that are none": _own(108, '"\uffff\U0010ffff\ufeff"'),
    "text in two directions": _own(109, '"\u202eright\u202c \u05d0\u05d1 \u200d e\u0301 \u2028"'),
    "brackets and quotes in a text": _own(110, json.dumps('[{"a": "]}" \\" , {')),
    "a field of no name": _own(111, '1, "": {}'),
    "a field of a long name": _own(112, '1, "' + "n" * 1000 + '": 1'),
    "statements of a database": _own(113, json.dumps("'; DROP TABLE events; -- %s %(x)s {} $1 :a \\")),
    "a type of 200 characters beyond the plane": _odd(114, type="\U0001d11e" * 200, zone=None),
    "another cell in the body": _odd(115, cell="harbour/wing-1/cell-2", site="elsewhere", line="x", topic="a/b"),
    "names with escapes": _odd(116).replace(b'"boot"', b'"\\u0062oot"'),
    "white space everywhere": b"\r\n\t " + json.dumps(message(boot=117), indent="\t").replace("\n", "\r\n").encode(),
    "at in small letters": _odd(118, at="2026-11-25t06:00:00.000001z"),
    "at with the farthest offset": _odd(119, at="2026-11-25T06:00:00+23:59"),
    "at with no offset known": _odd(120, at="2026-11-25T06:00:00-00:00"),
    "the first day of all": _odd(121, at="0001-01-01T00:00:00Z"),
    "the day before the first": _odd(122, at="0001-01-01T00:00:00+23:59"),
    "a panel that is a space": json.dumps(fastener(boot=123, panel=" ", position="\u00a0", item="NULL")).encode(),
    "a panel of 200 characters": json.dumps(fastener(boot=124, panel="\U0001f527" * 200), ensure_ascii=False).encode(),
    "0 seconds": json.dumps(fastener(boot=125, seconds=-0.0)).encode(),
    "a day of seconds": json.dumps(fastener(boot=126, seconds=86_400)).encode(),
    "seconds too small to tell from 0": json.dumps(fastener(boot=127))
    .encode()
    .replace(b'"good"', b'"good", "seconds": 5e-324'),
    "0 planned": json.dumps(
        activity("begin", "load", boot=128, planned={"automatic": 0, "manual": 2**53 - 1})
    ).encode(),
    "an alarm's text in many scripts": json.dumps(
        alarm("raise", "\u0416\u4e2d\U0001f6a7", boot=129, text="\u0905 " * 333)
    ).encode(),
    "an end of what never was": json.dumps(activity("end", "setup", boot=130)).encode(),
    "a verdict on nothing": json.dumps(verdict(boot=131)).encode(),
    "the last boot": _odd(2**53 - 1),
}
