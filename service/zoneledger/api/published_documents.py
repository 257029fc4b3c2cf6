"""What the service itself publishes by MQTT, as parts of the AsyncAPI document: states, shifts' figures, and whether it is there."""

from typing import Any

from zoneledger.core.states import STATES

Document = dict[str, Any]

ROOT = "zoneledger/v1"
#: What a level of a topic is.
STEP = "1 to 40 of a-z, 0-9 and -, as the plant model names it"
_EXAMPLES = {"site": "harbour", "line": "wing-1", "cell": "cell-2", "zone": "1"}
_TIME = {"type": "string", "format": "date-time"}
_RATIOS = ("oee", "availability", "performance", "quality", "utilisation", "known")

#: Each channel: its levels below the root, its last level, its message, and what it holds.
_CHANNELS = {
    "cellState": (("site", "line", "cell"), "state", "state", "The present state of a cell"),
    "zoneState": (("site", "line", "cell", "zone"), "state", "state", "The present state of a zone"),
    "lineShift": (("site", "line"), "shift", "shift", "The figures of a line's shifts"),
    "cellShift": (("site", "line", "cell"), "shift", "shift", "The figures of a cell's shifts"),
    "zoneShift": (("site", "line", "cell", "zone"), "shift", "shift", "The figures of a zone's shifts"),
    "serviceLink": ((), "link", "serviceLink", "Whether the service publishes; down is also its last will"),
}


def bindings(*, retain: bool) -> Document:
    """Return what MQTT has to know of an operation."""
    return {"mqtt": {"qos": 1, "retain": retain, "bindingVersion": "0.2.0"}}


def _object(description: str, fields: Document) -> Document:
    return {"type": "object", "description": description, "required": list(fields), "properties": fields}


def _or_none(schema: Document) -> Document:
    return {"oneOf": [schema, {"type": "null"}]}


def _channel(levels: tuple[str, ...], last: str, message: str, title: str) -> Document:
    parameters = {name: {"description": f"the {name}: {STEP}", "examples": [_EXAMPLES[name]]} for name in levels}
    found = {
        "address": "/".join([ROOT, *(f"{{{name}}}" for name in levels), last]),
        "title": title,
        "description": f"{title}: retained, QoS 1. The root {ROOT} is a setting; unset, nothing is published.",
        "messages": {message: {"$ref": f"#/components/messages/{message}"}},
    }
    return found | ({"parameters": parameters} if parameters else {})


def channels() -> Document:
    """Return the channels, by name."""
    return {name: _channel(*told) for name, told in _CHANNELS.items()}


def operations() -> Document:
    """Return the operations, by name: the service sends on each channel."""
    return {
        f"send{name[0].upper()}{name[1:]}": {
            "action": "send",
            "channel": {"$ref": f"#/channels/{name}"},
            "summary": f"The service tells: {title[0].lower()}{title[1:]}",
            "messages": [{"$ref": f"#/channels/{name}/messages/{message}"}],
            "bindings": bindings(retain=True),
        }
        for name, (_, _, message, title) in _CHANNELS.items()
    }


def messages() -> Document:
    """Return the messages, by name."""
    summaries = {
        "state": "A unit's present state; an empty payload says that the unit has left the plant model",
        "shift": "A unit's figures of the present shift and of the last one; an empty payload as of a state",
        "serviceLink": "Whether the service publishes: while it is down, all else is of earlier",
    }
    return {
        name: {
            "name": name,
            "title": name,
            "summary": summary,
            "contentType": "application/json",
            "payload": {"$ref": f"#/components/schemas/published-{name}"},
        }
        for name, summary in summaries.items()
    }


def schemas() -> Document:
    """Return the schemas of the payloads, by name."""
    version: Document = {"v": {"const": 1}}
    unit = {"unit": {"type": "string", "description": "the unit's path"}}
    state = {
        "state": {"enum": list(STATES)},
        "reason": {"type": ["string", "null"], "description": "why; null where nothing was ever known"},
        "since": _or_none(_TIME | {"description": "when this state and reason began"}),
    }
    figures = {"$ref": "#/components/schemas/published-figures"}
    shift = {name: _or_none(figures | {"description": what}) for name, what in _SHIFTS.items()}
    return {
        "published-state": _object("A unit's present state", version | unit | state),
        "published-shift": _object("A unit's shifts", version | unit | shift),
        "published-figures": _figures(),
        "published-serviceLink": _object("Whether the service publishes", version | {"link": {"enum": ["up", "down"]}}),
    }


_SHIFTS = {"present": "the shift of now", "last": "the last one of 31 days that is over"}


def _figures() -> Document:
    ratio = {"type": ["number", "null"]}
    count = {"type": "integer", "minimum": 0}
    fields: Document = {
        "shift": {"type": "string", "description": "local date at its start, and its name"},
        "start": _TIME,
        "end": _TIME,
        "over": {"type": "boolean"},
        "as_of": _TIME | {"description": "up to when it was read"},
        **dict.fromkeys(_RATIOS, ratio),
        "oee_bounds": {"type": "array", "items": ratio, "minItems": 2, "maxItems": 2},
        "made": count,
        "good": count,
        "fasteners_per_hour": _object("Fasteners per hour", dict.fromkeys(("planned", "running", "good"), ratio)),
        "revision": {"type": "integer", "minimum": 1},
    }
    return _object("What a unit came to over a shift, as /v1/kpi tells it", fields)
