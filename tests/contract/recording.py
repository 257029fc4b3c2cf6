"""Runs a Recorder on a store with a small invented plant and a clock that stands still, and shows all that it kept."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store, Stretch
from zoneledger.application.record import Recorder
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Cell, Line, Plant, Site
from zoneledger.core.validation import parse_instant

CELL, TWIN, STRANGER = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2", "harbour/wing-1/cell-9"
NOW = "2026-11-25T12:00:00Z"
NOW_US = parse_instant("now", NOW)

PLANT = Plant(
    (Site("harbour", "Europe/Lisbon", (Line("wing-1", cells=(Cell("cell-1", ("1", "2")), Cell("cell-2", ("1",)))),)),)
)


def recorder_on(store: Store) -> Recorder:
    """Return a recorder whose plant is PLANT, whatever document is stored."""
    plants = Plants(lambda _: PLANT)
    return Recorder(store, plants, lambda: NOW_US, Limits())


@asynccontextmanager
async def recording(store: Store) -> AsyncIterator[Recorder]:
    """Run a recorder until the end of the block."""
    recorder = recorder_on(store)
    task = asyncio.create_task(recorder.run())
    try:
        yield recorder
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def record(store: Store, deliveries: Sequence[Delivery]) -> list[Receipt]:
    """Hand in deliveries at once and return their receipts."""
    async with recording(store) as recorder:
        return list(await asyncio.gather(*(recorder.record(delivery) for delivery in deliveries)))


def delivery(payload: bytes, cell: str = CELL) -> Delivery:
    """Return a delivery of events for a cell."""
    return Delivery(cell, payload, "cells/v1/" + cell + "/events")


WHOLE = Stretch(None, None, {}, {}, None)


async def all_kept(store: Store) -> dict[str, Any]:
    """Return all that a store keeps, without the numbers that only it gives."""
    cells = [CELL, TWIN]
    async with store.reading() as reading:
        heads = await reading.heads(cells)
        kept: dict[str, Any] = {"heads": {cell: replace(head, cell_id=0, ledger_id=0) for cell, head in heads.items()}}
        kept["refused"] = [one.row for one in await reading.refused(None, 0, 10_000)]
        kept["revisions"] = await reading.revisions(cells, -(2**62), 2**62)
    async with store.writing() as writing:
        for cell, head in heads.items():
            booked = await writing.booked(head.ledger_id, WHOLE)
            lists = (booked.spans, booked.fasteners, booked.verdicts, booked.gaps, booked.discrepancies)
            kept[f"booked {cell}"] = [sorted(rows, key=repr) for rows in lists]
            kept[f"events {cell}"] = await writing.events_after(head.cell_id, None, 10_000)
            snapshots = await writing.snapshots_between(head.cell_id, None, None)
            kept[f"snapshots {cell}"] = [row[1:] for row in snapshots]
            kept[f"checkpoints {cell}"] = await writing.checkpoints_after(head.ledger_id, None)
            positions = sorted({(f.panel, f.position) for f in booked.fasteners if f.panel and f.position})
            made, _ = await writing.made_at(head.ledger_id, positions)
            kept[f"verdicts {cell}"] = sorted(made, key=repr)
    return kept
