"""How far a message file was imported, kept in a small file of its own, so that a second run goes on where the first broke off."""

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from zoneledger_cli.message_files import MessageFile

SUFFIX = ".imported"
_AT_ONCE = 2**20


@dataclass(frozen=True, slots=True)
class Reached:
    """How far a file was sent to a service, as which cell where lines name none: an offset, a line, and a hash of all before it."""

    service: str
    cell: str | None
    offset: int
    lines: int
    sha256: str


class Progressed:
    """Where an import is in a file, with the hash of all that was read so far."""

    def __init__(self, service: str, cell: str | None) -> None:
        self._service = service
        self._cell = cell
        self.offset = 0
        self.lines = 0
        self._hash = hashlib.sha256()

    def add(self, text: bytes, lines: int) -> None:
        """Add what was read."""
        self._hash.update(text)
        self.offset += len(text)
        self.lines += lines

    def reached(self) -> Reached:
        """Return how far it is."""
        return Reached(self._service, self._cell, self.offset, self.lines, self._hash.hexdigest())


def state_path(path: Path, directory: Path | None) -> Path:
    """Return where the state of a file is kept: beside it, or in a directory for the states of files of any place."""
    if directory is None:
        return path.parent / f"{path.name}{SUFFIX}"
    place = hashlib.sha256(os.fsencode(path.resolve())).hexdigest()[:16]
    return directory / f"{path.name}.{place}{SUFFIX}"


def read_state(path: Path) -> Reached | None:
    """Return a state that was kept, None where there is none that can be read."""
    try:
        found = json.loads(path.read_bytes())
        reached = Reached(**found)
        is_state = isinstance(reached.offset, int) and isinstance(reached.lines, int) and reached.offset >= 0
    except (FileNotFoundError, ValueError, TypeError):
        return None
    return reached if is_state else None


def write_state(path: Path, reached: Reached) -> None:
    """Keep a state, all or nothing of it. Raises OSError where it cannot be written."""
    beside = path.with_name(f"{path.name}.new")
    beside.write_text(json.dumps(asdict(reached)) + "\n")
    os.replace(beside, path)


def go_on(file: MessageFile, before: Reached | None, service: str, cell: str | None) -> Progressed:
    """Read up to where a file was imported before; return the begin where it is not the same file any more, or another import."""
    progressed = Progressed(service, cell)
    if before is None or (before.service, before.cell) != (service, cell):
        return progressed
    while progressed.offset < before.offset:
        text = file.read_bytes(min(_AT_ONCE, before.offset - progressed.offset))
        if not text:
            break
        progressed.add(text, 0)
    progressed.lines = before.lines
    if progressed.reached() == before:
        return progressed
    file.begin()
    return Progressed(service, cell)
