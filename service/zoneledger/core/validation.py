"""From a JSON value to a message of the contract, or to the reason why it is refused."""

import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from msgspec.json import decode

from zoneledger.core import messages as m
from zoneledger.core.decoding import Refusal, check_values

MAX_INTEGER = 2**53 - 1
MAX_IDENTIFIER = 200
MAX_TEXT = 1000
MAX_SECONDS = 86_400

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
ZONE = re.compile(r"[a-z0-9-]{1,40}")
_RFC3339 = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt](?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.([0-9]+))?"
    r"(?:[Zz]|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])"
)

Fields = Mapping[str, Any]
Check = Callable[[str, Any], Any]


def _invalid(name: str, should: str) -> Refusal:
    return Refusal("field_invalid", f"{name} should be {should}")


def parse_instant(name: str, value: Any) -> int:
    """Return an RFC 3339 text as microseconds since the Unix epoch; raise Refusal `field_invalid`."""
    match = _RFC3339.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise _invalid(name, "RFC 3339 with an offset, such as 2026-11-25T06:00:00.5+01:00")
    if len(match[1] or "") > 6:
        raise _invalid(name, "given in microseconds at most")
    try:
        return (datetime.fromisoformat(value.upper()) - _EPOCH) // _MICROSECOND
    except (ValueError, OverflowError):
        raise _invalid(name, "a date and time that exists") from None


def _integer_from(low: int) -> Check:
    def check(name: str, value: Any) -> int:
        if type(value) is not int or not low <= value <= MAX_INTEGER:
            raise _invalid(name, f"an integer from {low} to 2^53-1")
        return value

    return check


def _one_of(choices: tuple[str, ...]) -> Check:
    def check(name: str, value: Any) -> str:
        if not isinstance(value, str) or value not in choices:
            raise _invalid(name, "one of " + ", ".join(choices))
        return value

    return check


def _text_up_to(longest: int) -> Check:
    def check(name: str, value: Any) -> str:
        if not isinstance(value, str) or not 1 <= len(value) <= longest:
            raise _invalid(name, f"a text of 1 to {longest} characters")
        return value

    return check


def _zone(name: str, value: Any) -> str:
    if not isinstance(value, str) or ZONE.fullmatch(value) is None:
        raise _invalid(name, 'a text such as "1", of 1 to 40 of a-z, 0-9 and -')
    return value


def _seconds(name: str, value: Any) -> float:
    if type(value) not in (int, float) or not 0 <= value <= MAX_SECONDS:
        raise _invalid(name, f"a number of seconds from 0 to {MAX_SECONDS}")
    return float(value)


_boot = _integer_from(0)
_seq = _integer_from(1)
_identifier = _text_up_to(MAX_IDENTIFIER)
_text = _text_up_to(MAX_TEXT)
_activity = _one_of(m.ACTIVITIES)
_begin_or_end = _one_of(("begin", "end"))
_raise_or_clear = _one_of(("raise", "clear"))
_operation = _one_of(m.OPERATIONS)
_result = _one_of(m.RESULTS)
_severity = _one_of(m.SEVERITIES)
_wait = _one_of(m.WAITS)
_outcome = _one_of(m.OUTCOMES)


def _need(fields: Fields, name: str, check: Check) -> Any:
    if name not in fields:
        raise Refusal("field_missing", f"{name} is missing")
    return check(name, fields[name])


def _may(fields: Fields, name: str, check: Check) -> Any:
    return check(name, fields[name]) if name in fields else None


def _object(name: str, value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _invalid(name, "an object")
    return value


def _planned(name: str, value: Any) -> m.Planned:
    fields = _object(name, value)
    return m.Planned(_need(fields, "automatic", _boot), _need(fields, "manual", _boot))


def _read_activity(f: Fields, boot: int, seq: int, at_us: int) -> m.Event:
    zone, activity = _need(f, "zone", _zone), _need(f, "activity", _activity)
    program, panel = _may(f, "program", _identifier), _may(f, "panel", _identifier)
    planned, outcome = _may(f, "planned", _planned), _may(f, "outcome", _outcome)
    if _need(f, "phase", _begin_or_end) == "begin":
        return m.ActivityBegun(boot, seq, at_us, zone, activity, program, panel, planned)
    return m.ActivityEnded(boot, seq, at_us, zone, activity, outcome)


def _read_fastener(f: Fields, boot: int, seq: int, at_us: int) -> m.Event:
    return m.FastenerMade(
        boot,
        seq,
        at_us,
        zone=_need(f, "zone", _zone),
        operation=_need(f, "operation", _operation),
        result=_need(f, "result", _result),
        item=_may(f, "item", _identifier),
        position=_may(f, "position", _identifier),
        panel=_may(f, "panel", _identifier),
        program=_may(f, "program", _identifier),
        seconds=_may(f, "seconds", _seconds),
    )


def _read_alarm(f: Fields, boot: int, seq: int, at_us: int) -> m.Event:
    zone, code = _may(f, "zone", _zone), _need(f, "code", _identifier)
    severity = _need(f, "severity", _severity)
    subsystem, text = _may(f, "subsystem", _identifier), _may(f, "text", _text)
    if _need(f, "phase", _raise_or_clear) == "raise":
        return m.AlarmRaised(boot, seq, at_us, zone, code, severity, subsystem, text)
    return m.AlarmCleared(boot, seq, at_us, zone, code)


def _read_wait(f: Fields, boot: int, seq: int, at_us: int) -> m.Event:
    begun = _need(f, "phase", _begin_or_end) == "begin"
    kind = m.WaitBegun if begun else m.WaitEnded
    return kind(boot, seq, at_us, _need(f, "zone", _zone), _need(f, "for", _wait))


def _read_verdict(f: Fields, boot: int, seq: int, at_us: int) -> m.Event:
    _may(f, "by", _identifier)
    panel, position = _need(f, "panel", _identifier), _need(f, "position", _identifier)
    return m.VerdictGiven(boot, seq, at_us, panel, position, _need(f, "result", _result), _may(f, "zone", _zone))


def _zone_report(name: str, value: Any) -> m.ZoneReport:
    f = _object(name, value)
    program, panel = _may(f, "program", _identifier), _may(f, "panel", _identifier)
    activity, wait, made = _may(f, "activity", _activity), _may(f, "wait", _wait), _may(f, "made", _boot)
    return m.ZoneReport(activity, program, panel, wait, made)


def _active_alarm(name: str, value: Any) -> m.ActiveAlarm:
    f = _object(name, value)
    return m.ActiveAlarm(_may(f, "zone", _zone), _need(f, "code", _identifier), _need(f, "severity", _severity))


def _alarms(name: str, value: Any) -> tuple[m.ActiveAlarm, ...]:
    if not isinstance(value, list):
        raise _invalid(name, "an array")
    alarms = tuple(_active_alarm(name, entry) for entry in value)
    if len({(alarm.zone, alarm.code) for alarm in alarms}) != len(alarms):
        raise _invalid(name, "free of repeats: each zone and code once")
    return alarms


def _zones(name: str, value: Any) -> tuple[tuple[str, m.ZoneReport], ...]:
    reports = _object(name, value)
    return tuple((_zone("a zone's name", zone), _zone_report(name, reports[zone])) for zone in sorted(reports))


def _read_snapshot(f: Fields, at_us: int) -> m.Snapshot:
    seq = _need(f, "seq", _boot)
    return m.Snapshot(_need(f, "boot", _boot), seq, at_us, _need(f, "zones", _zones), _need(f, "alarms", _alarms))


_READERS: dict[str, Callable[[Fields, int, int, int], m.Event]] = {
    "activity": _read_activity,
    "fastener": _read_fastener,
    "alarm": _read_alarm,
    "wait": _read_wait,
    "verdict": _read_verdict,
}

_COMMON = frozenset({"v", "boot", "seq", "at", "type"})
KNOWN_FIELDS: dict[str, frozenset[str]] = {
    "activity": _COMMON | {"zone", "activity", "phase", "program", "panel", "planned", "outcome"},
    "fastener": _COMMON | {"zone", "operation", "result", "item", "position", "panel", "program", "seconds"},
    "alarm": _COMMON | {"zone", "phase", "code", "severity", "subsystem", "text"},
    "wait": _COMMON | {"zone", "phase", "for"},
    "verdict": _COMMON | {"zone", "panel", "position", "result", "by"},
    "snapshot": _COMMON | {"zones", "alarms"},
}


def unknown_fields(value: Fields) -> frozenset[str]:
    """Return the names of a valid message's own fields that the contract does not have (none for an unknown type)."""
    known = KNOWN_FIELDS.get(value["type"])
    return frozenset() if known is None or known.issuperset(value) else frozenset(value) - known


def read_message(value: Any) -> m.Message:
    """Return the message that a JSON value stands for.

    Raises Refusal: `not_an_object`, `version_unsupported`, `field_missing`, `field_invalid`, and those of `check_values`;
    a value that is itself a Refusal is raised.
    """
    check_values(value)
    return read_checked(value)


def read_checked(value: Any) -> m.Message:
    """Return the message that a JSON value stands for, whose values `check_values` has passed; raise Refusal."""
    if isinstance(value, Refusal):
        raise value
    if not isinstance(value, dict):
        raise Refusal("not_an_object", "a message should be a JSON object")
    version = _need(value, "v", lambda _, v: v)
    if type(version) is not int or version != 1:
        raise Refusal("version_unsupported", "v should be 1: this service reads contract version 1")
    kind = _need(value, "type", _identifier)
    at_us = _need(value, "at", parse_instant)
    if kind == "snapshot":
        return _read_snapshot(value, at_us)
    boot, seq = _need(value, "boot", _boot), _need(value, "seq", _seq)
    reader = _READERS.get(kind)
    if reader is not None:
        return reader(value, boot, seq, at_us)
    return m.UnknownEvent(boot, seq, at_us, kind, _may(value, "zone", _zone))


def content_of(value: Fields) -> dict[str, Any]:
    """Return what makes a valid message the same as another: its fields of the contract, but its instant for `at`'s text.

    Of an unknown type all fields count.
    """
    known = KNOWN_FIELDS.get(value["type"])
    content = {name: entry for name, entry in value.items() if known is None or name in known}
    content["at"] = parse_instant("at", value["at"])
    return content


def snapshot_body(value: Fields) -> str:
    """Return a valid snapshot's content without its instant and place, as canonical JSON."""
    return json.dumps({"alarms": value["alarms"], "zones": value["zones"]}, sort_keys=True, separators=(",", ":"))


def snapshot_from(body: str, boot: int, seq: int, at_us: int) -> m.Snapshot:
    """Return the snapshot that `snapshot_body` was made of, at an instant."""
    value = decode(body)
    return m.Snapshot(boot, seq, at_us, _zones("zones", value["zones"]), _alarms("alarms", value["alarms"]))
