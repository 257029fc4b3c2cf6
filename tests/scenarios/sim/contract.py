"""A checker of the message contract, version 1, written from the contract alone; it returns what is wrong in words."""

import re
from collections.abc import Callable, Mapping
from typing import Any

_AT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)")
_ZONE = re.compile(r"[a-z0-9-]{1,40}")

Check = Callable[[Any], bool]


def _one_of(*values: str) -> Check:
    return lambda value: value in values


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and 1 <= len(value) <= 200 and value.isprintable()


def _is_count(value: Any) -> bool:
    return type(value) is int and 0 <= value < 2**53


def _is_planned(value: Any) -> bool:
    return isinstance(value, dict) and set(value) == {"automatic", "manual"} and all(map(_is_count, value.values()))


def _is_zone(value: Any) -> bool:
    return isinstance(value, str) and _ZONE.fullmatch(value) is not None


def _is_seconds(value: Any) -> bool:
    return type(value) in (int, float) and 0 <= value <= 86_400


_ACTIVITY = _one_of("process", "load", "unload", "setup")
_WAIT = _one_of("panel", "operator", "head", "fasteners", "tool", "inspection", "upstream", "downstream", "other")
_SEVERITY = _one_of("stop", "notice")
_RESULT = _one_of("good", "rework", "reject")


def _is_snapshot_zones(value: Any) -> bool:
    optional = {"activity": _ACTIVITY, "program": _is_text, "panel": _is_text, "wait": _WAIT, "made": _is_count}
    return isinstance(value, dict) and all(
        _is_zone(zone) and not _wrong(at, {}, optional) for zone, at in value.items()
    )


def _is_snapshot_alarms(value: Any) -> bool:
    required = {"code": _is_text, "severity": _SEVERITY}
    return isinstance(value, list) and not any(_wrong(alarm, required, {"zone": _is_zone}) for alarm in value)


_ENVELOPE: dict[str, Check] = {
    "v": lambda value: value == 1 and type(value) is int,
    "boot": _is_count,
    "seq": _is_count,
    "at": lambda value: isinstance(value, str) and _AT.fullmatch(value) is not None,
    "type": _is_text,
}
_REQUIRED: dict[str, dict[str, Check]] = {
    "activity": {"zone": _is_zone, "activity": _ACTIVITY, "phase": _one_of("begin", "end")},
    "fastener": {"zone": _is_zone, "operation": _one_of("drill", "fasten", "trim"), "result": _RESULT},
    "alarm": {"phase": _one_of("raise", "clear"), "code": _is_text, "severity": _SEVERITY},
    "wait": {"zone": _is_zone, "phase": _one_of("begin", "end"), "for": _WAIT},
    "verdict": {"panel": _is_text, "position": _is_text, "result": _RESULT},
    "snapshot": {"zones": _is_snapshot_zones, "alarms": _is_snapshot_alarms},
}
_OPTIONAL: dict[str, dict[str, Check]] = {
    "activity": {
        "program": _is_text,
        "panel": _is_text,
        "planned": _is_planned,
        "outcome": _one_of("completed", "aborted"),
    },
    "fastener": {
        "item": _is_text,
        "position": _is_text,
        "panel": _is_text,
        "program": _is_text,
        "seconds": _is_seconds,
    },
    "alarm": {"zone": _is_zone, "subsystem": _is_text, "text": lambda value: isinstance(value, str)},
    "wait": {},
    "verdict": {"by": _is_text, "zone": _is_zone},
    "snapshot": {},
}


def problems(message: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with a message; unknown fields are wrong, too, in what we send ourselves."""
    kind = message.get("type")
    if kind not in _REQUIRED:
        return [f"type {kind!r}"]
    wrong = _wrong(message, _ENVELOPE | _REQUIRED[kind], _OPTIONAL[kind])
    if not wrong and kind != "snapshot" and message["seq"] < 1:
        wrong.append("an event without a place in the sequence")
    if kind == "activity" and message.get("phase") == "begin" and "outcome" in message:
        wrong.append("a begin with an outcome")
    return wrong


def _wrong(fields: Mapping[str, Any], required: Mapping[str, Check], optional: Mapping[str, Check]) -> list[str]:
    known = {**required, **optional}
    missing = [f"{name} is missing" for name in required if name not in fields]
    unknown = [f"{name} is unknown" for name in fields if name not in known]
    return missing + unknown + [f"{n}={v!r}" for n, v in fields.items() if n in known and not known[n](v)]
