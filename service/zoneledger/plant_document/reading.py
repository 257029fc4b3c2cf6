"""From JSON text or plain data to a valid document, with every fault at its place."""

import json
from collections import Counter
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from zoneledger.core.errors import PlantInvalid
from zoneledger.core.plant import PATH_STEP_PATTERN
from zoneledger.plant_document.meaning import to_plant
from zoneledger.plant_document.schema import (
    CLOCK_PATTERN,
    TEXT_PATTERN,
    CellDocument,
    LineDocument,
    PlantDocument,
    ReasonDocument,
    ShiftDocument,
    SiteDocument,
    StandardDocument,
    StopDocument,
    TargetDocument,
)
from zoneledger.wording import counted, words_of

MAX_BYTES = 1024 * 1024
MAX_FAULTS = 100
MAX_STEP = 60
WHOLE = "document"
NOT_JSON = "must be JSON"

_PATTERNS = {
    PATH_STEP_PATTERN: "must be 1 to 40 of a-z, 0-9 and -",
    CLOCK_PATTERN: 'must be a time of day from "00:00" to "23:59"',
    TEXT_PATTERN: "must be text without control characters",
}
_MODELS: dict[str, type[BaseModel]] = {
    "": PlantDocument,
    "sites": SiteDocument,
    "lines": LineDocument,
    "shifts": ShiftDocument,
    "stops": StopDocument,
    "standards": StandardDocument,
    "targets": TargetDocument,
    "cells": CellDocument,
    "reasons": ReasonDocument,
}


class _Object(dict[str, Any]):
    """A JSON object that remembers which of its fields were given twice."""

    repeated: tuple[str, ...] = ()


def read_json(text: str | bytes) -> PlantDocument:
    """Return the document that JSON text holds; raise PlantInvalid for bad JSON, shape or meaning."""
    try:
        data = json.loads(decoded(text), object_pairs_hook=_to_object)
    except json.JSONDecodeError as error:
        raise PlantInvalid([(f"line {error.lineno}", f"{NOT_JSON}: {error.msg}")]) from None
    except RecursionError:
        raise PlantInvalid([(WHOLE, "is nested too deeply")]) from None
    except ValueError:
        raise PlantInvalid([(WHOLE, f"{NOT_JSON}: a number has too many digits")]) from None
    if repeated := _repeated(data):
        raise PlantInvalid(shortened(repeated))
    return read_data(data)


def read_data(data: Any) -> PlantDocument:
    """Return the document that plain data (as from JSON) holds; raise PlantInvalid for bad shape or meaning."""
    try:
        document = PlantDocument.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False, include_context=True)
        raise PlantInvalid(shortened([(place_of(each["loc"]), _sentence(each)) for each in found])) from None
    try:
        to_plant(document)
    except PlantInvalid as error:
        raise PlantInvalid(shortened(error.errors)) from None
    return document


def decoded(text: str | bytes) -> str:
    """Return the text of a document; raise PlantInvalid where it is too large or not UTF-8."""
    if len(text) > MAX_BYTES:
        raise PlantInvalid([(WHOLE, f"must have at most {MAX_BYTES} bytes, not {len(text)}")])
    try:
        return text if isinstance(text, str) else text.decode()
    except UnicodeDecodeError as error:
        raise PlantInvalid([(WHOLE, f"must be UTF-8; byte {error.start} is not")]) from None


def place_of(steps: tuple[int | str, ...]) -> str:
    """Return a place such as `sites/0/timezone`, overlong names cut."""
    return "/".join(str(step)[:MAX_STEP] for step in steps) or WHOLE


def shortened(faults: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the first hundred faults, and how many more there are."""
    more = len(faults) - MAX_FAULTS
    if more <= 0:
        return faults
    return [*faults[:MAX_FAULTS], (WHOLE, f"has {counted(more, 'more fault', 'more faults')} than are listed here")]


def _to_object(pairs: list[tuple[str, Any]]) -> _Object:
    found = _Object(pairs)
    if len(found) < len(pairs):
        times = Counter(name for name, _ in pairs)
        found.repeated = tuple(name for name, number in times.items() if number > 1)
    return found


def _repeated(data: Any) -> list[tuple[str, str]]:
    faults: list[tuple[str, str]] = []
    waiting: list[tuple[tuple[int | str, ...], Any]] = [((), data)]
    while waiting:
        steps, value = waiting.pop()
        if isinstance(value, _Object):
            faults += [(place_of((*steps, name)), "is given twice; give it once") for name in value.repeated]
            waiting += [((*steps, name), entry) for name, entry in value.items()]
        elif isinstance(value, list):
            waiting += [((*steps, i), entry) for i, entry in enumerate(value)]
    return faults


def _sentence(error: ErrorDetails) -> str:
    kind, context = error["type"], error.get("ctx", {})
    if kind == "missing":
        return "must be given"
    if kind == "extra_forbidden":
        return f"is not known here; the fields are {', '.join(_fields_around(error['loc']))}"
    if kind == "string_type":
        return _text_wanted(error["input"])
    if kind == "string_pattern_mismatch":
        return _PATTERNS[context["pattern"]]
    if kind == "model_type":
        return "must be a mapping of fields"
    if kind == "list_type":
        return "must be a list"
    if kind in ("too_short", "string_too_short"):
        return "must not be empty"
    if kind == "too_long":
        return f"must have at most {context['max_length']} entries"
    return words_of(error, "must")


def _fields_around(steps: tuple[int | str, ...]) -> list[str]:
    lists = [step for step in steps[:-1] if isinstance(step, str)]
    fields = _MODELS[lists[-1] if lists else ""].model_fields
    return [field.alias or name for name, field in fields.items()]


def _text_wanted(value: Any) -> str:
    if isinstance(value, bool | int | float):
        return f'must be text; write "{json.dumps(value)[:MAX_STEP]}" in quotes'
    return "must be text"
