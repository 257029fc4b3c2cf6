"""Sends message files to a running service, block by block; a second run goes on where the first broke off."""

import asyncio
import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES
from zoneledger_cli.asking import Asked, Unfit, client_of
from zoneledger_cli.import_state import Progressed, go_on, read_state, state_path, write_state
from zoneledger_cli.message_files import Fault, Line, messages_of, open_messages
from zoneledger_cli.progress import Told

#: So much is read before all of it is sent and the state is kept.
BLOCK_BYTES = 2 * 2**20
#: Requests that are under way at once, of a cell only one: its messages go in their order.
AT_ONCE = 4
#: Of what was refused so many are told one by one.
EXAMPLES = 20
#: Reasons for lines that hold nothing to be sent, and are no fault.
LEFT_OUT = ("link",)


class Refused(NamedTuple):
    """A message or line that was not taken, by the file and line that it is in."""

    file: str
    line: int
    reason: str
    detail: str


@dataclass(slots=True)
class Imported:
    """What became of message files: lines read, messages by what they came to, and lines that were passed over."""

    lines: int = 0
    messages: int = 0
    stored: int = 0
    duplicate: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)
    examples: list[Refused] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def refuse(self, refused: Refused) -> None:
        """Add a message or line that was refused."""
        self.refused[refused.reason] += 1
        if len(self.examples) < EXAMPLES:
            self.examples.append(refused)

    def document(self) -> dict[str, Any]:
        """Return it as JSON values."""
        counts = {name: getattr(self, name) for name in ("lines", "messages", "stored", "duplicate")}
        told = [one._asdict() for one in self.examples]
        return counts | {"refused": self.refused, "left_out": self.left_out, "examples": told, "notes": self.notes}


class _Sent(NamedTuple):
    """A message and the line that it is in."""

    line: int
    text: bytes


@dataclass(frozen=True, slots=True)
class Importing:
    """An import: into which service, as which cell where lines name none, how long the service may be away, where states are kept."""

    asked: Asked
    cell: str | None
    patience_s: float
    states: Path | None
    imported: Imported


async def import_files(
    files: Sequence[Path],
    url: str,
    cell: str | None,
    patience_s: float,
    states: Path | None,
    imported: Imported,
    told: Told,
    key: str | None = None,
) -> None:
    """Send message files one after the other, and add to `imported` what became of them.

    Raises OSError where a file cannot be read, its state cannot be kept or the service does not answer, ValueError where it is none
    or a file is damaged. What was sent by then is not sent again by the next run.
    """
    async with client_of(url, key) as client:
        importing = Importing(Asked(client, url.rstrip("/")), cell, patience_s, states, imported)
        before = 0
        for path in files:
            await _import_file(importing, path, partial(_tell, told, before, imported))
            before += path.stat().st_size


def _tell(told: Told, before: int, imported: Imported, position: int) -> None:
    told(before + position, imported.messages)


async def _import_file(importing: Importing, path: Path, tell: Callable[[int], None]) -> None:
    state = state_path(path, importing.states)
    former = read_state(state)
    with open_messages(path) as file:
        progressed = go_on(file, former, importing.asked.url, importing.cell)
        if former is not None:
            importing.imported.notes.append(_resumed(path, progressed))
        lines = file.lines(progressed.lines, lambda text: progressed.add(text, 0))
        while (by_cell := _next_block(importing, path, lines, progressed)) is not None:
            await _send_block(importing, path, by_cell)
            write_state(state, progressed.reached())
            tell(file.position())


def _resumed(path: Path, progressed: Progressed) -> str:
    if progressed.offset:
        return f"{path} was imported up to line {progressed.lines:,} before, and is read on from there."
    return f"{path} is not what was imported before, and is read from its begin; what is known already changes nothing."


def _next_block(
    importing: Importing, path: Path, lines: Iterator[Line], progressed: Progressed
) -> dict[str, list[_Sent]] | None:
    """Return the messages of the next lines by cell, None where no more lines follow.

    A last line that does not end as lines do, and cannot be read, may be on its way yet: it is left for the next run.
    """
    by_cell: dict[str, list[_Sent]] = {}
    begun, imported = progressed.offset, importing.imported
    for line in lines:
        try:
            found = messages_of(line, importing.cell)
        except Fault as fault:
            if not line.is_whole:
                imported.notes.append(f"{path} ends within line {line.number:,}, which was left out: {fault}")
                break
            _note(imported, Refused(str(path), line.number, fault.reason, str(fault)))
            found = None
        progressed.add(line.text, 1)
        imported.lines += 1
        if found is not None:
            by_cell.setdefault(found.cell, []).extend(_Sent(line.number, text) for text in found.texts)
        if progressed.offset - begun >= BLOCK_BYTES:
            break
    return by_cell if progressed.offset > begun else None


def _note(imported: Imported, refused: Refused) -> None:
    if refused.reason in LEFT_OUT:
        imported.left_out[refused.reason] += 1
    else:
        imported.refuse(refused)


async def _send_block(importing: Importing, path: Path, by_cell: dict[str, list[_Sent]]) -> None:
    """Send the messages of each cell in their order, some cells at once."""
    free = asyncio.Semaphore(AT_ONCE)

    async def send(cell: str, sent: list[_Sent]) -> None:
        async with free:
            for batch in _batches(sent, len(_body(cell, []))):
                await _send_batch(importing, path, cell, batch)

    try:
        async with asyncio.TaskGroup() as tasks:
            for cell, sent in by_cell.items():
                tasks.create_task(send(cell, sent))
    except ExceptionGroup as failures:
        raise failures.exceptions[0] from None


def _batches(sent: Sequence[_Sent], around: int) -> Iterator[list[_Sent]]:
    """Cut messages into batches that a request takes, of which `around` bytes stand around them; one that is too long is alone."""
    batch: list[_Sent] = []
    size = around
    for one in sent:
        if batch and (len(batch) == MAX_MESSAGES or size + len(one.text) + 1 > MAX_PAYLOAD_BYTES):
            yield batch
            batch, size = [], around
        batch.append(one)
        size += len(one.text) + 1
    if batch:
        yield batch


def _body(cell: str, batch: Sequence[_Sent]) -> bytes:
    texts = b",".join(one.text for one in batch)
    return b'{"cell":' + json.dumps(cell).encode() + b',"messages":[' + texts + b"]}"


async def _send_batch(importing: Importing, path: Path, cell: str, batch: Sequence[_Sent]) -> None:
    """Send a batch; where its body is not taken, by halves, so that one bad message costs the others nothing."""
    imported = importing.imported
    try:
        receipt = await importing.asked.send("/v1/messages", _body(cell, batch), importing.patience_s)
    except Unfit as error:
        if len(batch) == 1:
            imported.messages += 1
            imported.refuse(Refused(str(path), batch[0].line, "unfit", str(error)))
            return
        middle = len(batch) // 2
        for half in (batch[:middle], batch[middle:]):
            await _send_batch(importing, path, cell, half)
        return
    imported.messages += len(batch)
    imported.stored += receipt["stored"]
    imported.duplicate += receipt["duplicate"]
    for one in receipt["refused"]:
        imported.refuse(Refused(str(path), batch[one["index"]].line, one["reason"], one["detail"]))
