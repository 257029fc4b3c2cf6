"""The ledger file: what a simulation sent, what of it was acknowledged, and what was true. One JSON object a line.

In the order in which things happened, each with `line`, its kind:

- `run`: `format` (1), `start_us`, `site`, `line_name`, `cells` (unit paths), `seed`. Always the first line.
- `sent`: `payload` (a number from 1), `cell`, `messages`. Written before the payload is first offered; once, however
  often it is offered again.
- `acknowledged`: `payload`. Its send returned without an error: the listener has it.
- `lost`: `cell`, `message`. Never offered to anyone, on purpose.
- `truth`: `start_us`, `until_us`, `units`: {path: {`spans`: [[start_us, end_us, state, reason]], `made`: [[at_us, zone,
  operation, item, program, panel, position, first result, final result]], `passes`: [[zone, panel, program,
  load_begun_us, unload_ended_us, outcome]]}}. The last one holds; a run that was killed has none.

Instants are microseconds since the Unix epoch. A last line that was cut off is left out.
"""

import json
from collections.abc import Iterator
from dataclasses import astuple, dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

from zoneledger_sim.controller import Message, Outgoing
from zoneledger_sim.plan import Scenario
from zoneledger_sim.truth import Made, Pass, Record, Truth

FORMAT = 1


class LedgerFile:
    """Writes a ledger file; each line is on its way to the disk when the call returns."""

    def __init__(self, path: Path, scenario: Scenario, start_us: int) -> None:
        self._stream: BinaryIO = path.open("wb", buffering=0)
        self._payloads = 0
        cells = [scenario.path(plan.cell) for plan in scenario.cells]
        head = {"format": FORMAT, "start_us": start_us, "site": scenario.site, "line_name": scenario.line}
        self._write({"line": "run", **head, "cells": cells, "seed": scenario.seed})

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.close()

    def sent(self, cell: str, messages: list[bytes]) -> int:
        """Write that these messages (JSON objects) are about to be offered; return the payload's number."""
        self._payloads += 1
        head = json.dumps({"line": "sent", "payload": self._payloads, "cell": cell})[:-1].encode()
        self._stream.write(head + b', "messages": [' + b",".join(messages) + b"]}\n")
        return self._payloads

    def acknowledged(self, payload: int) -> None:
        """Write that the payload of that number was acknowledged."""
        self._write({"line": "acknowledged", "payload": payload})

    def lost(self, outgoing: Outgoing) -> None:
        """Write that a message was lost on purpose."""
        self._write({"line": "lost", "cell": outgoing.cell, "message": outgoing.message})

    def truth(self, truth: Truth) -> None:
        """Write the truth as far as it is known."""
        units = {unit: _record_document(record, truth) for unit, record in truth.records.items()}
        self._write({"line": "truth", "start_us": truth.start_us, "until_us": truth.until_us, "units": units})

    def _write(self, line: dict[str, Any]) -> None:
        self._stream.write(json.dumps(line, ensure_ascii=False).encode() + b"\n")


@dataclass(slots=True)
class Payload:
    """Messages of one cell that were offered together."""

    cell: str
    messages: list[Message]
    acknowledged: bool = False


@dataclass(slots=True)
class Ledger:
    """A ledger file read back: `payloads` by number, `lost` as (cell, message); no `truth` where the run was killed."""

    start_us: int
    cells: list[str]
    seed: int
    payloads: dict[int, Payload] = field(default_factory=dict)
    lost: list[tuple[str, Message]] = field(default_factory=list)
    truth: Truth | None = None

    def messages(self, *, acknowledged: bool = True) -> Iterator[tuple[str, Message]]:
        """Yield (cell, message) of the payloads that were, or were not, acknowledged, in the order of sending."""
        for payload in self.payloads.values():
            if payload.acknowledged is acknowledged:
                for message in payload.messages:
                    yield payload.cell, message


def read_ledger(path: Path) -> Ledger:
    """Read a ledger file. Raises ValueError where it is none of this format."""
    lines = read_lines(path)
    head = next(lines)
    ledger = Ledger(head["start_us"], head["cells"], head["seed"])
    for line in lines:
        _take_line(ledger, line)
    return ledger


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the lines of a ledger file one by one. Raises ValueError where it is none of this format."""
    with path.open("rb") as stream:
        head = _read_line(stream.readline(), path)
        if head.get("line") != "run" or head.get("format") != FORMAT:
            raise ValueError(f"{path} is no ledger file of format {FORMAT}")
        yield head
        for text in stream:
            if text.endswith(b"\n"):
                yield _read_line(text, path)


def _read_line(text: bytes, path: Path) -> dict[str, Any]:
    try:
        line = json.loads(text)
    except ValueError:
        line = None
    if not isinstance(line, dict):
        raise ValueError(f"{path} is no ledger file of format {FORMAT}: a line of it is no JSON object")
    return line


def _take_line(ledger: Ledger, line: dict[str, Any]) -> None:
    match line["line"]:
        case "sent":
            ledger.payloads[line["payload"]] = Payload(line["cell"], line["messages"])
        case "acknowledged":
            ledger.payloads[line["payload"]].acknowledged = True
        case "lost":
            ledger.lost.append((line["cell"], line["message"]))
        case "truth":
            ledger.truth = read_truth(line)
        case kind:
            raise ValueError(f"unknown kind of line {kind!r}")


def _record_document(record: Record, truth: Truth) -> dict[str, Any]:
    return {
        "spans": [[start, end, *standing] for start, end, standing in record.spans(truth.start_us, truth.until_us)],
        "made": [astuple(made) for made in record.made],
        "passes": [astuple(each) for each in record.passes],
    }


def read_truth(line: dict[str, Any]) -> Truth:
    """Return the truth that a line of the kind `truth` holds."""
    truth = Truth(line["start_us"])
    truth.until_us = line["until_us"]
    for unit, document in line["units"].items():
        record = truth.add(unit)
        for start_us, _, state, reason in document["spans"]:
            record.change(start_us, (state, reason))
        record.made = [Made(*each) for each in document["made"]]
        record.passes = [Pass(*each) for each in document["passes"]]
    return truth
