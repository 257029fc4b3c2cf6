"""Documents with a fault put in, and the faults that are found in them."""

import copy
import json
from typing import Any

import pytest

from zoneledger.core.errors import PlantInvalid
from zoneledger.plant_document import EXAMPLE, read_json

LINE = "sites/0/lines/0"


def faults_of(document: Any) -> list[tuple[str, str]]:
    with pytest.raises(PlantInvalid) as caught:
        read_json(document if isinstance(document, str | bytes) else json.dumps(document))
    return caught.value.errors


def changed(path: str, value: Any) -> dict[str, Any]:
    """Return the example with `value` at a place; `...` takes the field out."""
    document = copy.deepcopy(EXAMPLE)
    at: Any = document
    *steps, last = (int(step) if step.isdigit() else step for step in path.split("/"))
    for step in steps:
        at = at[step]
    if value is ...:
        del at[last]
    elif isinstance(at, list) and last == len(at):
        at.append(value)
    else:
        at[last] = value
    return document
