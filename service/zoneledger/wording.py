"""Words that people read, wherever they are told: of so many things, and of what a check of a value says."""

from collections.abc import Mapping, Sequence
from typing import Any

#: What a value should be that is none of its kind, by the first part of the type of pydantic's error.
_KINDS = {"int": "a whole number", "float": "a number", "bool": "true or false"}
_NOT_OF_A_KIND = ("type", "parsing", "from_float")


def words_of(error: Mapping[str, Any], verb: str = "should") -> str:
    """Return what an error that pydantic lists says of a value, to be read on from its name: without what it puts before that."""
    kind, _, why = str(error["type"]).partition("_")
    if kind in _KINDS and why in _NOT_OF_A_KIND:
        return f"{verb} be {_KINDS[kind]}"
    text = str(error["msg"]).removeprefix("Value error, ")
    return text.replace("Input should", verb).replace("String should", verb)


def first_of(names: Sequence[str], most: int) -> str:
    """Return the first names, and how many more there are, such as `cell-1, cell-2 and 28 more`."""
    return ", ".join(names[:most]) + (f" and {len(names) - most:,} more" if len(names) > most else "")


def counted(number: int, one: str, many: str) -> str:
    """Return so many of something with what is said of them, such as `1 event is` or `2 events are`."""
    return f"{number:,} {one if number == 1 else many}"


def printable(text: str, longest: int = 200) -> str:
    """Return a text of any origin as it may stand in a sentence, a log or a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text[:longest])
