"""Reads message files: JSON lines, compressed by gzip or not, one line at a time, each with the messages in it just as they came."""

import gzip
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, NamedTuple, TypeVar, cast

import msgspec
from msgspec import Raw

T = TypeVar("T")

#: A longer line is told as a fault: it would have to be held in memory as a whole.
MAX_LINE_BYTES = 8 * 2**20
_GZIP = b"\x1f\x8b"


class Fault(ValueError):
    """A line that holds no messages; `reason` is for programs."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


class Damaged(ValueError):
    """A compressed file ends in the middle, or is none."""


class Line(NamedTuple):
    """A line as it is in the file, its number from 1, and whether it ends as lines do."""

    number: int
    text: bytes
    size: int
    is_whole: bool


class Messages(NamedTuple):
    """The messages of a line, each as its own text, and the path of the cell that sent them."""

    cell: str
    texts: list[bytes]


class MessageFile:
    """An open message file; offsets are those of what it holds uncompressed."""

    def __init__(self, stream: BinaryIO, raw: BinaryIO, path: Path) -> None:
        self._stream = stream
        self._raw = raw
        self._path = path

    def read_bytes(self, number: int) -> bytes:
        """Return the next bytes, fewer at the end."""
        with self._reading():
            return self._stream.read(number)

    def begin(self) -> None:
        """Go back to the begin."""
        self._stream.seek(0)

    def position(self) -> int:
        """Return how many bytes of the file itself, compressed or not, were read."""
        return self._raw.tell()

    def lines(self, number: int, skip: Callable[[bytes], None]) -> Iterator[Line]:
        """Yield the lines from here on, of which so many were read before; of one that is too long `skip` is given the text."""
        while True:
            with self._reading():
                text = self._stream.readline(MAX_LINE_BYTES + 1)
            if not text:
                return
            number += 1
            size = len(text)
            if size <= MAX_LINE_BYTES or text.endswith(b"\n"):
                yield Line(number, text, size, text.endswith(b"\n"))
                continue
            skip(text)
            while text and not text.endswith(b"\n"):
                with self._reading():
                    text = self._stream.readline(MAX_LINE_BYTES)
                size += len(text)
                skip(text)
            yield Line(number, b"", size, is_whole=True)

    @contextmanager
    def _reading(self) -> Iterator[None]:
        try:
            yield
        except (EOFError, gzip.BadGzipFile, zlib.error) as error:
            raise Damaged(f"{self._path} is cut off or damaged: {error}") from None


@contextmanager
def open_messages(path: Path) -> Iterator[MessageFile]:
    """Open a message file; whether it is compressed is told by its first bytes. Raises OSError where it cannot be read."""
    with path.open("rb") as raw:
        is_gzip = raw.peek(2)[:2] == _GZIP
        with gzip.GzipFile(fileobj=raw) if is_gzip else raw as stream:
            yield MessageFile(cast(BinaryIO, stream), raw, path)


_NOTHING = Raw(b"")


class _Shape(msgspec.Struct):
    cell: str | None = None
    messages: list[Raw] | None = None
    topic: str | None = None
    payload: Raw = _NOTHING


def messages_of(line: Line, cell: str | None) -> Messages | None:
    """Return the messages of a line, those of `cell` where it names none; None for an empty line. Raises Fault.

    A line is `{"cell": ..., "messages": [...]}`, `{"topic": ..., "payload": ...}`, or one message, which may name its cell too, or
    an array of them.
    """
    text = line.text.strip()
    if not line.text:
        raise Fault(
            "line_too_long", f"a line has at most {MAX_LINE_BYTES // 2**20} MiB; this one has {line.size:,} bytes"
        )
    if not text:
        return None
    if not text.startswith(b"{"):
        texts = _texts(text)
        return Messages(_needed(cell), texts)
    shape = _decoded(text, _Shape)
    if shape.messages is not None:
        return Messages(_needed(shape.cell or cell), [bytes(one) for one in shape.messages])
    if shape.topic is not None and shape.payload is not _NOTHING:
        return Messages(_cell_of(shape.topic), _texts(bytes(shape.payload)))
    return Messages(_own(shape.cell, cell), [text])


def _own(named: str | None, cell: str | None) -> str:
    """Return the cell that a message names; one that stands alone has no room for another's word."""
    if named is not None and cell is not None and named != cell:
        raise Fault("cell_differs", f"the message says that it is of {named!r}, and --cell that it is of {cell!r}")
    return _needed(cell if named is None else named)


def _decoded(text: bytes, kind: type[T]) -> T:
    try:
        return msgspec.json.decode(text, type=kind)
    except msgspec.ValidationError as error:
        raise Fault("unknown_shape", f"the line has another shape than those that are read: {error}") from None
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise Fault("not_json", f"the line is no JSON: {error}") from None


def _texts(payload: bytes) -> list[bytes]:
    """Return the messages of a payload, which may be told as a text that holds it."""
    if payload.startswith(b'"'):
        payload = _decoded(payload, str).encode().strip()
        if not payload:
            raise Fault("empty", "the payload is empty: it is what clears a retained message, and no message itself")
    if payload.startswith(b"["):
        return [bytes(one) for one in _decoded(payload, list[Raw])]
    return [bytes(_decoded(payload, Raw))]


def _needed(cell: str | None) -> str:
    if cell is None:
        raise Fault("no_cell", "the line names no cell; tell by --cell whose messages they are")
    return cell


def _cell_of(topic: str) -> str:
    *_, site, line, cell, last = ["", "", "", *topic.split("/")]
    if last == "link":
        raise Fault("link", "what tells of a link cannot be sent later")
    if last != "events" or not site:
        raise Fault("unknown_topic", "a topic should end in site/line/cell/events")
    return f"{site}/{line}/{cell}"
