"""From YAML 1.2 text to a valid document, with the line of every fault."""

from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.composer import MaxDepthExceededError
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from zoneledger.core.errors import PlantInvalid
from zoneledger.plant_document.reading import WHOLE, decoded, place_of, read_data, shortened
from zoneledger.plant_document.schema import PlantDocument

MAX_DEPTH = 40

_TAG = "tag:yaml.org,2002:"
# Dates stay text, as they are in JSON; "=" and "<<" have no meaning of their own here.
_KINDS = ("map", "seq", "str", "int", "float", "bool", "null", "timestamp", "value", "merge")

Steps = tuple[int | str, ...]


def read_yaml(text: str | bytes, name: str = "plant.yaml") -> PlantDocument:
    """Return the document that YAML text holds.

    Raises PlantInvalid for bad YAML, shape or meaning; each place reads `plant.yaml line 12, sites/0/timezone`.
    """
    try:
        tree = _Tree(_composed(decoded(text), name))
    except PlantInvalid as error:
        raise PlantInvalid([_named(place, sentence, name) for place, sentence in error.errors]) from None
    try:
        if tree.faults:
            raise PlantInvalid(shortened(tree.faults))
        return read_data(tree.data)
    except PlantInvalid as error:
        raise PlantInvalid(
            [(f"{name} line {tree.line_of(place)}, {place}", sentence) for place, sentence in error.errors]
        ) from None


def _named(place: str, sentence: str, name: str) -> tuple[str, str]:
    return (name if place == WHOLE else place), sentence


def _composed(text: str, name: str) -> Node:
    yaml = YAML(pure=True)
    yaml.max_depth = MAX_DEPTH
    try:
        root = yaml.compose(text)
    except MarkedYAMLError as error:
        raise PlantInvalid([_syntax_fault(error, text, name)]) from None
    except (YAMLError, ValueError, RecursionError) as error:
        raise PlantInvalid([(WHOLE, f"must be YAML: {' '.join(str(error).split())}")]) from None
    if root is None or (isinstance(root, ScalarNode) and str(root.tag) == f"{_TAG}null"):
        raise PlantInvalid([(WHOLE, "is empty; an empty plant is written as sites: []")])
    if not isinstance(root, Node):
        raise PlantInvalid([(WHOLE, "must be YAML")])
    return root


def _syntax_fault(error: MarkedYAMLError, text: str, name: str) -> tuple[str, str]:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 1
    lines = text.splitlines()
    shown = lines[line - 1] if line <= len(lines) else ""
    if "\t" in shown[: len(shown) - len(shown.lstrip())]:
        return f"{name} line {line}", "must be indented with spaces, not with tabs"
    if isinstance(error, MaxDepthExceededError):
        return f"{name} line {line}", "is nested too deeply"
    problem = ", ".join(part for part in (error.context, error.problem) if part)
    return f"{name} line {line}", f"must be YAML: {problem}"


class _Tree:
    """A YAML document as plain data, with the line of each place and what only YAML can get wrong."""

    def __init__(self, root: Node) -> None:
        self.faults: list[tuple[str, str]] = []
        self._lines: dict[str, int] = {WHOLE: root.start_mark.line + 1}
        self.data = self._value(root, ())

    def line_of(self, place: str) -> int:
        """Return the line of a place; of one that is missing the line of what it is missing in."""
        while place not in self._lines:
            place = place.rpartition("/")[0] or WHOLE
        return self._lines[place]

    def _value(self, node: Node, steps: Steps) -> Any:
        if node.anchor is not None:
            self.faults.append((place_of(steps), "anchors and aliases are not taken; write the value out"))
            return None
        kind = str(node.tag).removeprefix(_TAG)
        if kind not in _KINDS:
            self.faults.append((place_of(steps), f"the tag {kind} is not taken; write the plain value"))
            return None
        if isinstance(node, MappingNode):
            return self._mapping(node, steps)
        if isinstance(node, SequenceNode):
            return [self._entry(entry, (*steps, i)) for i, entry in enumerate(node.value)]
        return self._scalar(str(node.value), kind, steps)

    def _entry(self, node: Node, steps: Steps) -> Any:
        self._lines[place_of(steps)] = node.start_mark.line + 1
        return self._value(node, steps)

    def _mapping(self, node: MappingNode, steps: Steps) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for key, value in node.value:
            inner = (*steps, str(key.value)) if isinstance(key, ScalarNode) else steps
            if not isinstance(key, ScalarNode) or key.anchor is not None:
                self.faults.append((place_of(steps), "must have plain words as field names"))
                continue
            if key.value in found:
                self._lines[place_of(inner)] = key.start_mark.line + 1
                self.faults.append((place_of(inner), "is given twice; give it once"))
                continue
            self._lines[place_of(inner)] = key.start_mark.line + 1
            found[key.value] = self._value(value, inner)
        return found

    def _scalar(self, text: str, kind: str, steps: Steps) -> Any:
        if kind == "null":
            return None
        if kind == "bool":
            return text.lower() == "true"
        try:
            if kind == "int":
                return _integer(text)
            if kind == "float":
                return float(text.replace("_", "").lower().replace(".inf", "inf").replace(".nan", "nan"))
        except ValueError:
            self.faults.append((place_of(steps), "must be a number that can be read, or text in quotes"))
            return None
        return text


def _integer(text: str) -> int:
    digits = text.replace("_", "").lower()
    for prefix, base in (("0x", 16), ("0o", 8), ("0b", 2)):
        if digits.lstrip("+-").startswith(prefix):
            return int(digits, base)
    return int(digits)
