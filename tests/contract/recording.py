"""Runs a Recorder on a store with a small invented plant and a clock that stands still, and shows all that it kept."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import fields, replace
from typing import Any

from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store
from zoneledger.application.recorder import Recorder
from zoneledger.application.stored import RefusedFilter, Stretch
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Cell, Line, Plant, Site
from zoneledger.core.validation import parse_instant

CELL, TWIN, STRANGER = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2", "harbour/wing-1/cell-9"
NOW = "2026-11-25T12:00:00Z"
NOW_US = parse_instant("now", NOW)

PLANT = Plant(
    (Site("harbour", "Europe/Lisbon", (Line("wing-1", cells=(Cell("cell-1", ("1", "2")), Cell("cell-2", ("1",)))),)),)
)


def recorder_on(store: Store, plant: Plant = PLANT, now_us: int = NOW_US) -> Recorder:
    """Return a recorder with a plant, whatever document is stored."""
    return Recorder(store, Plants(lambda _: plant), lambda: now_us, Limits())


@asynccontextmanager
async def recording(store: Store, plant: Plant = PLANT, now_us: int = NOW_US) -> AsyncIterator[Recorder]:
    """Run a recorder until the end of the block."""
    recorder = recorder_on(store, plant, now_us)
    task = asyncio.create_task(recorder.run())
    try:
        yield recorder
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def record(
    store: Store, deliveries: Sequence[Delivery], plant: Plant = PLANT, now_us: int = NOW_US
) -> list[Receipt]:
    """Hand in deliveries at once and return their receipts."""
    async with recording(store, plant, now_us) as recorder:
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
        kept["refused"] = [one.row for one in await reading.refused(RefusedFilter(), 10_000)]
        kept["revisions"] = [one.row for one in await reading.revisions(cells, -(2**62), 2**62, 0, None)]
    async with store.writing() as writing:
        for cell, head in heads.items():
            booked = await writing.booked(head.ledger_id, WHOLE)
            kept[f"booked {cell}"] = [sorted(getattr(booked, one.name), key=repr) for one in fields(booked)]
            kept[f"events {cell}"] = await writing.events_after(head.cell_id, None, 10_000)
            snapshots = await writing.snapshots_between(head.cell_id, None, None)
            kept[f"snapshots {cell}"] = [row[1:] for row in snapshots]
            kept[f"checkpoints {cell}"] = await writing.next_checkpoints(head.ledger_id, None, 10_000)
            positions = sorted({(f.panel, f.position) for f in booked.fasteners if f.panel and f.position})
            made, _ = await writing.made_at(head.ledger_id, positions)
            kept[f"verdicts {cell}"] = sorted(made, key=repr)
    return kept


def ledger_of(kept: dict[str, Any]) -> dict[str, Any]:
    """Return what follows from the messages alone, of all that a store keeps."""
    bookings = {cell: head.booking for cell, head in kept["heads"].items() if head.booking}
    names = ("booked", "events", "snapshots", "verdicts")
    return {name: rows for name, rows in kept.items() if name.startswith(names) and any(rows)} | {"heads": bookings}
