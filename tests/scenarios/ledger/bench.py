"""A recorder on a real store, with as many cells as a test's examples need."""

import json
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

from tests.oracle.ledger import Piece
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.kpi import Kpi, read_kpis
from zoneledger.application.ledger import read_spans
from zoneledger.application.panels import Panels, read_panels
from zoneledger.application.ports import Store
from zoneledger.application.record import record_group
from zoneledger.application.stored import Head, Stretch
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Cell, Line, Plant, Site, Standard, Unit
from zoneledger.core.rows import Booked
from zoneledger.core.states import UNKNOWN
from zoneledger.storage.engines import open_engines
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore

NOW_US = 1_800_000_000_000_000
LIMITS = Limits()
WHOLE = Stretch(None, None, {}, {}, None)
Message = dict[str, Any]
Pieces = dict[str, list[Piece]]

_ZONES = frozenset({"1", "2"})


@dataclass
class Bench:
    """Each `cell()` is a fresh one, as if nothing had been recorded before."""

    store: Store
    number: int = 0

    def cell(self) -> str:
        """Return the path of a cell that has no messages."""
        self.number += 1
        return f"bench/line/cell-{self.number}"

    async def record(
        self, cell: str, groups: Iterable[Sequence[Message]], link_down_us: int | None = None
    ) -> list[Receipt]:
        """Record messages, each group in a transaction of its own."""
        receipts: list[Receipt] = []
        for group in groups:
            delivery = Delivery(cell, json.dumps(group).encode(), "test")
            async with self.store.writing() as writing:
                recorded = await record_group(writing, [delivery], lambda _: _ZONES, NOW_US, LIMITS)
            receipts += recorded.receipts
        if link_down_us is not None:
            down = Delivery(cell, b'{"v":1,"link":"down"}', "test", "link")
            async with self.store.writing() as writing:
                await record_group(writing, [down], lambda _: _ZONES, link_down_us, LIMITS)
        return receipts

    async def pieces(self, cell: str) -> Pieces:
        """Return the known time of a cell and its zones, as the oracle tells it; the cell's own under ''."""
        async with self.store.reading() as reading:
            spans = await read_spans(reading, await reading.heads([cell]), 0, NOW_US, NOW_US, LIMITS)
        known = {
            zone: [Piece(s.start_us, s.end_us, s.state, s.reason or "") for s in found if s.state != UNKNOWN]
            for (_, zone), found in spans.items()
        }
        return {zone: pieces for zone, pieces in known.items() if pieces}

    async def head(self, cell: str) -> Head | None:
        """Return a cell's head."""
        async with self.store.reading() as reading:
            return (await reading.heads([cell])).get(cell)

    async def rows(self, cell: str) -> tuple[Booked, str, Any]:
        """Return all that the ledger holds of a cell: rows, the state at its head, and fasteners with their verdicts."""
        async with self.store.writing() as writing:
            head = (await writing.lock_heads([cell]))[cell]
            booked = await writing.booked(head.ledger_id, WHOLE)
            at = sorted({(f.panel, f.position) for f in booked.fasteners if f.panel and f.position})
            made, _ = await writing.made_at(head.ledger_id, at)
        for one in fields(booked):
            getattr(booked, one.name).sort(key=repr)
        return booked, head.booking, sorted(made, key=repr)

    async def kpi(self, cell: str, windows: list[Window]) -> list[Kpi]:
        """Return the figures of a cell for windows."""
        async with self.store.reading() as reading:
            return await read_kpis(reading, _unit(cell), windows, NOW_US, LIMITS)

    async def panels(self, cell: str, window: Window) -> Panels:
        """Return the passes of a cell for a window."""
        async with self.store.reading() as reading:
            return await read_panels(reading, _unit(cell), window, NOW_US, LIMITS, 0, 1000)


def _unit(cell: str) -> Unit:
    unit = Plant((Site("bench", "UTC", (_line(cell.split("/")[-1]),)),)).find(cell)
    assert unit is not None
    return unit


def _line(cell: str) -> Line:
    standard = Standard("fasten", 4_000_000, date(2020, 1, 1))
    return Line("line", (), (standard,), (Cell(cell, ("1", "2")),))


@asynccontextmanager
async def bench_on(database_url: str) -> AsyncIterator[Bench]:
    """Yield a bench on a fresh database."""
    await migrate(database_url)
    store = SqlStore(open_engines(database_url))
    try:
        yield Bench(store)
    finally:
        await store.close()
