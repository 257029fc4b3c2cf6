"""A digest of what the ledger holds of a window: two that are equal stand for the same time, fasteners and activities."""

import hashlib
import json
from typing import Any

from zoneledger.application.ledger import known_zones, read_spans
from zoneledger.application.passes import read_passes
from zoneledger.application.ports import Reading
from zoneledger.application.stored import FastenerAfter
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Unit
from zoneledger.core.spans import clip
from zoneledger.core.states import UNKNOWN

ROWS_AT_ONCE = 5000


class _Digest:
    """SHA-256 over rows, each as one line of canonical JSON."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()

    def add(self, *row: Any) -> None:
        self._sha.update(json.dumps(row, separators=(",", ":"), ensure_ascii=True).encode() + b"\n")

    @property
    def text(self) -> str:
        return f"sha256:{self._sha.hexdigest()}"


async def digest_of(reading: Reading, unit: Unit, start_us: int, end_us: int, limits: Limits) -> str:
    """Return the digest of the ledger of a unit's cells over a window that is over, such as `sha256:` with 64 hex digits.

    It takes in the known spans, cut to the window, of cells and zones; fasteners with first result and verdict, one by one; what
    snapshots count beside them; and the passes that were over in the window. The plant model has no part in it.
    """
    digest = _Digest()
    paths = [cell.path for cell in unit.cells]
    heads = await reading.heads(paths)
    for cell in sorted(heads):  # one after the other: those of a large line are too many to be held at once
        spans = await read_spans(reading, {cell: heads[cell]}, start_us, end_us, end_us, limits)
        for (_, zone), found in sorted(spans.items()):
            for span in clip(found, start_us, end_us):
                if span.state != UNKNOWN:
                    digest.add("span", cell, zone, *span)
    for cell in sorted(paths):
        await _add_fasteners(digest, reading, cell, start_us, end_us)
    for row in sorted(await reading.count_unseen(paths, [(start_us, end_us)])):
        digest.add("unseen", *row)
    zones = known_zones(heads, unit.cells, limits)
    for (cell, _), passes in sorted((await read_passes(reading, heads, zones, start_us, end_us, limits)).items()):
        for one in passes:
            if one.is_over_in(start_us, end_us):
                told = (one.panel, one.program, one.automatic, one.manual, one.outcome, one.is_whole)
                digest.add("pass", cell, one.zone, one.start_us, one.end_us, *told)
    return digest.text


async def _add_fasteners(digest: _Digest, reading: Reading, cell: str, start_us: int, end_us: int) -> None:
    after: FastenerAfter | None = None
    while True:
        rows = await reading.fasteners(cell, start_us, end_us, after, ROWS_AT_ONCE)
        for row, verdict in rows:
            digest.add("fastener", cell, *row, verdict)
            after = row.at_us, row.boot, row.seq
        if len(rows) < ROWS_AT_ONCE:
            return
