"""JSON that holds nothing but ASCII and no blanks: one text for one value, on one line, whatever its texts hold."""

from json import JSONEncoder
from typing import Any

from msgspec.json import encode

#: The one character of ASCII that the standard library escapes and msgspec does not.
_DELETE = b"\x7f"
_escaped = JSONEncoder(separators=(",", ":")).encode


def ascii_json(value: Any) -> str:
    """Return texts, whole numbers, truths and None, in lists and by name, as JSON.

    What cannot be seen or is not ASCII is escaped, halves of surrogate pairs too. msgspec writes the same text as
    the standard library where nothing is, in a fourth of the time.
    """
    try:
        text = encode(value)
    except UnicodeEncodeError:
        return _escaped(value)
    return text.decode() if text.isascii() and _DELETE not in text else _escaped(value)
