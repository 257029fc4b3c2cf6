"""What the service tells others by MQTT: its own topics, and the payloads on them, without any I/O."""

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from zoneledger.api.standing import standing
from zoneledger.api.times import rfc3339
from zoneledger.application.shift_figures import UnitFigures
from zoneledger.application.units import Present
from zoneledger_mqtt.topics import check_root

EXAMPLE_ROOT = "zoneledger/v1"
VERSION = 1
STATE, SHIFT = "/state", "/shift"
#: A payload of ours is shorter than this.
MAX_BYTES = 4096

_AS_OF = re.compile(rb'"as_of":"[^"]*",')
_PATH = re.compile("[a-z0-9-]{1,40}(?:/[a-z0-9-]{1,40}){1,3}")


def _json(fields: dict[str, Any]) -> bytes:
    return json.dumps(fields, separators=(",", ":")).encode()


#: What the topic on the service itself says while it publishes, and from its end on.
UP, DOWN = (_json({"v": VERSION, "link": word}) for word in ("up", "down"))


@dataclass(frozen=True, slots=True)
class OwnTopics:
    """The topics under a root of the service's own.

    Raises ValueError for a root that is no root, or that lies over or under that of the controllers, whose topics are theirs.
    """

    root: str
    controllers: str

    def __post_init__(self) -> None:
        check_root(self.root, EXAMPLE_ROOT)
        ours, theirs = f"{self.root}/", f"{self.controllers}/"
        if ours.startswith(theirs) or theirs.startswith(ours):
            raise ValueError(
                f"the publish root {self.root!r} should lie apart from the controllers' root {self.controllers!r}, neither "
                f"over nor under it: such as {EXAMPLE_ROOT}"
            )

    @property
    def link(self) -> str:
        """The topic that tells whether the service publishes."""
        return f"{self.root}/link"

    @property
    def all(self) -> str:
        """The subscription that matches all topics under the root."""
        return f"{self.root}/#"

    def state(self, unit: str) -> str:
        """Return the topic of the present state of a cell or zone."""
        return f"{self.root}/{unit}{STATE}"

    def shift(self, unit: str) -> str:
        """Return the topic of the shift's figures of a line, cell or zone."""
        return f"{self.root}/{unit}{SHIFT}"

    def is_ours(self, topic: str, payload: bytes) -> bool:
        """Tell whether a message is one that this service publishes about a unit, by its topic and by what it says itself."""
        unit = topic.removeprefix(f"{self.root}/").rpartition("/")[0]
        if topic not in (self.state(unit), self.shift(unit)) or not _PATH.fullmatch(unit) or len(payload) > MAX_BYTES:
            return False
        try:
            said = json.loads(payload)
        except (ValueError, RecursionError):
            return False
        return isinstance(said, dict) and said.get("v") == VERSION and said.get("unit") == unit


def state_payload(unit: str, present: Present) -> bytes:
    """Return what is published of a unit's present state."""
    return _json({"v": VERSION, **standing(unit, present)})


def shift_payload(unit: str, present: UnitFigures | None, last: UnitFigures | None) -> bytes:
    """Return what is published of a unit's present shift, and of the last one that is over; None: there is none."""
    return _json({"v": VERSION, "unit": unit, "present": _shift(present), "last": _shift(last)})


def is_only_later(payload: bytes, earlier: bytes) -> bool:
    """Tell whether two payloads on shifts say the same, but for up to when they were read."""
    return _AS_OF.sub(b"", payload) == _AS_OF.sub(b"", earlier)


def shift_payloads(present: Iterable[UnitFigures], last: Iterable[UnitFigures]) -> dict[str, bytes]:
    """Return what is published of each unit's shifts, by the unit's path."""
    now, before = {one.unit: one for one in present}, {one.unit: one for one in last}
    return {unit: shift_payload(unit, now.get(unit), before.get(unit)) for unit in now | before}


def _shift(one: UnitFigures | None) -> dict[str, Any] | None:
    if one is None:
        return None
    figures = one.figures
    return {
        "shift": one.window.shift,
        "start": rfc3339(one.window.start_us),
        "end": rfc3339(one.window.end_us),
        "over": one.until_us >= one.window.end_us,
        "as_of": rfc3339(one.until_us),
        "oee": figures.oee,
        "oee_bounds": [figures.oee_low, figures.oee_high],
        "availability": figures.availability,
        "performance": figures.performance,
        "quality": figures.quality,
        "utilisation": figures.utilisation,
        "known": figures.known,
        "made": one.account.made,
        "good": one.account.good,
        "fasteners_per_hour": {
            "planned": figures.made_per_planned_hour,
            "running": figures.made_per_running_hour,
            "good": figures.good_per_planned_hour,
        },
        "revision": one.revision,
    }
