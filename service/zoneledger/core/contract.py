"""The message contract as JSON Schema (draft 2020-12) of a message, a payload and the link, all made from one table."""

from typing import Any

from zoneledger.core import messages as m
from zoneledger.core.decoding import MAX_MESSAGES
from zoneledger.core.validation import MAX_IDENTIFIER, MAX_INTEGER, MAX_SECONDS, MAX_TEXT

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
TITLE = "Zoneledger message contract, version 1"

#: The end of a text: to some validators `$` alone is also before a line feed that ends it.
_END = r"$(?!\n)"
#: A text without control characters. Halves of surrogate pairs are left out: validators do not read such patterns alike.
_CLEAN = r"^[^\u0000-\u001f\u007f-\u009f]*" + _END
_INSTANT = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt]([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,6})?"
    r"([Zz]|[+-]([01][0-9]|2[0-3]):[0-5][0-9])" + _END
)


def _text(longest: int, description: str) -> Schema:
    bounds = {"type": "string", "minLength": 1, "maxLength": longest, "pattern": _CLEAN}
    return {"description": description} | bounds


def _integer(lowest: int, description: str) -> Schema:
    return {"description": description, "type": "integer", "minimum": lowest, "maximum": MAX_INTEGER}


def _choice(choices: tuple[str, ...], description: str) -> Schema:
    return {"description": description, "type": "string", "enum": list(choices)}


def _same(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


#: What fields hold, wherever they stand.
VALUES: dict[str, Schema] = {
    "boot": _integer(0, "Rises at each start of the controller: a retained counter, or the Unix seconds at the start"),
    "at": {
        "description": "The controller's time: RFC 3339 with an offset, at most microseconds, no leap second",
        "type": "string",
        "pattern": _INSTANT,
    },
    "zone": {
        "description": "A zone of the cell, as the plant model names it",
        "type": "string",
        "pattern": "^[a-z0-9-]{1,40}" + _END,
    },
    "identifier": _text(MAX_IDENTIFIER, "A name of the controller's"),
    "count": _integer(0, "How many"),
    "result": _choice(m.RESULTS, "How it turned out"),
    "severity": _choice(m.SEVERITIES, "stop: it stops its zone or cell; notice: it stops nothing"),
    "activity_name": _choice(m.ACTIVITIES, "What goes on in a zone"),
    "wait_name": _choice(m.WAITS, "What a zone waits for"),
    "begin_or_end": _choice(("begin", "end"), "Whether it begins or ends"),
    "value": {
        "description": "What a field may hold that the contract does not have: anything without control characters in texts",
        "anyOf": [
            {"type": ["null", "boolean", "number"]},
            {"type": "string", "pattern": _CLEAN},
            {"type": "array", "items": _same("value")},
            {"type": "object", "propertyNames": {"pattern": _CLEAN}, "additionalProperties": _same("value")},
        ],
    },
}


def _object(needed: dict[str, Schema], optional: dict[str, Schema], description: str) -> Schema:
    """Return the schema of an object that may hold other fields too, which are ignored."""
    return {
        "description": description,
        "type": "object",
        "required": list(needed),
        "properties": needed | optional,
        "propertyNames": {"pattern": _CLEAN},
        "additionalProperties": _same("value"),
    }


#: What is told inside messages.
PARTS: dict[str, Schema] = {
    "planned": _object(
        {"automatic": _same("count"), "manual": _same("count")},
        {},
        "How many fasteners of the panel the cell is to set, and how many are left for the hand",
    ),
    "zone_report": _object(
        {},
        {
            "activity": _same("activity_name"),
            "program": _same("identifier"),
            "panel": _same("identifier"),
            "wait": _same("wait_name"),
            "made": _same("count"),
        },
        "What holds in a zone: each field only where there is something",
    ),
    "active_alarm": _object(
        {"code": _same("identifier"), "severity": _same("severity")},
        {"zone": _same("zone")},
        "An alarm that is active; without a zone it is the whole cell's",
    ),
}

#: The fields of each type beside those of every message: those that are needed, those that are not, and what it says.
TYPES: dict[str, tuple[dict[str, Schema], dict[str, Schema], str]] = {
    "activity": (
        {"zone": _same("zone"), "activity": _same("activity_name"), "phase": _same("begin_or_end")},
        {
            "program": _same("identifier"),
            "panel": _same("identifier"),
            "planned": _same("planned"),
            "outcome": _choice(m.OUTCOMES, "Of an end: how it ended"),
        },
        "An activity of a zone begins or ends",
    ),
    "fastener": (
        {
            "zone": _same("zone"),
            "operation": _choice(m.OPERATIONS, "What was done"),
            "result": _same("result"),
        },
        {
            "item": _same("identifier"),
            "position": _same("identifier"),
            "panel": _same("identifier"),
            "program": _same("identifier"),
            "seconds": {
                "description": "How long the head took",
                "type": "number",
                "minimum": 0,
                "maximum": MAX_SECONDS,
            },
        },
        "One position is finished: a fastener set, a hole drilled, a trim made",
    ),
    "alarm": (
        {
            "phase": _choice(("raise", "clear"), "Whether it is raised or cleared"),
            "code": _same("identifier"),
            "severity": _same("severity"),
        },
        {
            "zone": _same("zone"),
            "subsystem": _same("identifier"),
            "text": _text(MAX_TEXT, "The alarm in words"),
        },
        "An alarm of a zone, or without one of the whole cell, is raised or cleared",
    ),
    "wait": (
        {"zone": _same("zone"), "phase": _same("begin_or_end"), "for": _same("wait_name")},
        {},
        "A zone begins or ends to stand for a reason that the controller knows",
    ),
    "verdict": (
        {"panel": _same("identifier"), "position": _same("identifier"), "result": _same("result")},
        {"zone": _same("zone"), "by": _same("identifier")},
        "A later quality decision on a fastener; by names the station that decided, never a person",
    ),
    "snapshot": (
        {
            "zones": {
                "description": "Every zone of the cell, by name",
                "type": "object",
                "propertyNames": _same("zone"),
                "additionalProperties": _same("zone_report"),
            },
            "alarms": {
                "description": "Every active alarm, in the order in which they were raised; each zone and code once",
                "type": "array",
                "items": _same("active_alarm"),
                "uniqueItems": True,
            },
        },
        {},
        "The controller's whole condition; sent at start, after each reconnect and at least each 10 s",
    ),
}
#: The name of events of types that the contract does not have: they keep their place, and have no other effect.
OTHER = "other"


def _every_message(kind: Schema, seq: Schema) -> dict[str, Schema]:
    version = {"description": "The version of the contract", "type": "integer", "const": 1}
    return {"v": version, "boot": _same("boot"), "seq": seq, "at": _same("at"), "type": kind}


def _event_seq() -> Schema:
    return _integer(1, "Rises by exactly 1 with each event of this boot")


def _of_type(name: str) -> Schema:
    needed, optional, description = TYPES[name]
    seq = _integer(0, "The last event's seq, 0 before any") if name == "snapshot" else _event_seq()
    return _object(_every_message({"const": name}, seq) | needed, optional, description)


def _of_other_type() -> Schema:
    kind = _text(MAX_IDENTIFIER, "A type of your own") | {"not": {"enum": list(TYPES)}}
    return _object(
        _every_message(kind, _event_seq()),
        {"zone": _same("zone")},
        "An event of a type that the contract does not have: it is stored, and has no other effect",
    )


def definitions() -> dict[str, Schema]:
    """Return the schemas that others refer to, by name: values, parts, each type of message, a message and a payload."""
    types = {name: _of_type(name) for name in TYPES} | {OTHER: _of_other_type()}
    message = {"description": "One message", "oneOf": [_same(name) for name in types]}
    payload = {
        "description": f"What is published at once: one message, or an array of 1 to {MAX_MESSAGES:,}",
        "oneOf": [
            _same("message"),
            {"type": "array", "items": _same("message"), "minItems": 1, "maxItems": MAX_MESSAGES},
        ],
    }
    return VALUES | PARTS | types | {"message": message, "payload": payload, "link": link_schema()}


def link_schema() -> Schema:
    """Return the schema of what is published on the link topic."""
    return {
        "description": "Whether the controller is connected: up after each connect, down as the last will",
        "type": "object",
        "required": ["v", "link"],
        "properties": {
            "v": {"description": "The version of the contract", "type": "integer", "const": 1},
            "link": {"description": "Whether it is connected", "type": "string", "enum": ["up", "down"]},
            "boot": _same("boot"),
        },
    }


def message_schema() -> Schema:
    """Return the whole document: one message at its root, `#/$defs/payload` and `#/$defs/link` beside it."""
    return {
        "$schema": DIALECT,
        "$id": "urn:zoneledger:contract:1",
        "title": TITLE,
        "description": "One message. A whole payload is described by #/$defs/payload, the link by #/$defs/link.",
        **_same("message"),
        "$defs": definitions(),
    }
