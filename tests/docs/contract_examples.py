"""The examples of the message contract as tests read them: those that are taken, and those that are refused with their reasons."""

import json
from pathlib import Path
from typing import Any, NamedTuple

from tests.docs.pages import DOCS

CONTRACT = DOCS / "contract"
EXAMPLES = CONTRACT / "examples"
INDEX: dict[str, Any] = json.loads((EXAMPLES / "index.json").read_text(encoding="utf-8"))
CELL: str = INDEX["cell"]
ZONES = frozenset(INDEX["zones"])
NOW = "2026-11-25T12:00:00Z"


class Refused(NamedTuple):
    """A payload that is refused, for this reason; whether a schema can tell."""

    path: Path
    reason: str
    cell: str
    schema_refuses: bool


VALID = sorted((EXAMPLES / "valid").glob("*.json"))
INVALID = [
    Refused(EXAMPLES / one["file"], one["reason"], one.get("cell", CELL), one["schema_refuses"])
    for one in INDEX["invalid"]
]
