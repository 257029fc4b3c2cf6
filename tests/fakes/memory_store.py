"""The Store port in memory: dicts and lists, copied when a transaction begins and put in place when it ends well."""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
from contextlib import asynccontextmanager
from copy import copy
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import inf
from typing import Any, Literal, TypeVar

from tests.fakes.memory_in_order import MemoryInOrder
from tests.fakes.memory_keyring import MemoryKeyringReading, MemoryKeyringWriting
from tests.fakes.memory_trails import MemoryTrails
from zoneledger.application.keyring import AuditEntry, KeyRow
from zoneledger.application.ports import Reading, Writing
from zoneledger.application.stored import (
    Arrivals,
    Basis,
    Checkpoint,
    Count,
    Cursor,
    DefectCount,
    EventRow,
    FastenerAfter,
    GivenRow,
    Head,
    Key,
    LeaseRow,
    Listed,
    Outdated,
    PaceCount,
    PanelCount,
    PausesAsked,
    PlantVersion,
    Presum,
    ProofRow,
    RefusedFilter,
    RefusedRow,
    RefusedSize,
    Revision,
    SnapshotRow,
    Stamp,
    Stretch,
    Unmatched,
)
from zoneledger.clock import now_us
from zoneledger.core.failures import Raised, Wanted
from zoneledger.core.minor_stops import Cut, Pause
from zoneledger.core.passes import ACTIVITIES_BACK
from zoneledger.core.rates import Made, Piece
from zoneledger.core.rows import Activity, Alarm, Booked, Discrepancy, Fastener, Gap, Place, Verdict, ZoneSpan
from zoneledger.core.spans import Interval

Owned = tuple[int, int, int]
"""(cell_id or ledger_id, boot, seq)."""

RowT = TypeVar("RowT")


@dataclass
class _State:
    """All that is kept; rows never change, so that a copy of each container is a copy of all."""

    plants: list[PlantVersion] = field(default_factory=list)
    heads: dict[str, Head] = field(default_factory=dict)
    events: dict[Owned, EventRow] = field(default_factory=dict)
    snapshots: list[SnapshotRow] = field(default_factory=list)
    checkpoints: dict[Owned, str] = field(default_factory=dict)
    spans: dict[tuple[int, str, int], ZoneSpan] = field(default_factory=dict)
    fasteners: dict[Owned, Fastener] = field(default_factory=dict)
    results: dict[Owned, str | None] = field(default_factory=dict)
    verdicts: dict[Owned, Verdict] = field(default_factory=dict)
    gaps: dict[int, tuple[int, Gap]] = field(default_factory=dict)
    discrepancies: dict[int, tuple[int, Discrepancy]] = field(default_factory=dict)
    activities: dict[int, tuple[int, Activity]] = field(default_factory=dict)
    alarms: dict[tuple[int, int, int], Alarm] = field(default_factory=dict)
    refused: dict[int, RefusedRow] = field(default_factory=dict)
    revisions: list[Revision] = field(default_factory=list)
    proofs: list[ProofRow] = field(default_factory=list)
    ledgers: dict[int, tuple[str, int]] = field(default_factory=dict)
    leases: dict[str, tuple[str, int]] = field(default_factory=dict)
    given: dict[int, GivenRow] = field(default_factory=dict)
    presums: dict[tuple[str, str, int], tuple[int, Presum]] = field(default_factory=dict)
    keys: dict[str, KeyRow] = field(default_factory=dict)
    audit: list[AuditEntry] = field(default_factory=list)
    number: int = 0

    def copied(self) -> "_State":
        return _State(*(copy(kept) for kept in vars(self).values()))

    def next_number(self) -> int:
        self.number += 1
        return self.number


def _own(head: Head) -> Head:
    return replace(head, counts=dict(head.counts))


def _add(table: dict[Any, RowT], key: Any, row: RowT) -> None:
    if key in table:
        raise KeyError(f"{key} is there already")
    table[key] = row


def _page(rows: Iterable[Listed[RowT]], after_id: int, limit: int) -> list[Listed[RowT]]:
    return [row for row in rows if row.id > after_id][:limit]


def _reach_back(rows: Sequence[Activity], start_us: int) -> float:
    """Return from where on activities are read, so that the passes of a window and the one before are whole."""
    before = [row for row in rows if row.start_us < start_us]
    floor_us = before[-ACTIVITIES_BACK].start_us if len(before) >= ACTIVITIES_BACK else -inf
    unloads = [row for row in before if row.activity == "unload" and row.ended_by in ("event", "next")]
    gone = [row.end_us for row in unloads if row.end_us < start_us and row.start_us >= floor_us]
    return gone[-2] if len(gone) > 1 else floor_us


class _MemoryReading(MemoryInOrder, MemoryTrails, MemoryKeyringReading):
    _state: _State

    def __init__(self, state: _State) -> None:
        self._state = state

    def _ledgers(self, cells: Sequence[str]) -> dict[int, str]:
        heads = self._state.heads
        return {heads[cell].ledger_id: cell for cell in cells if cell in heads}

    def _cells(self, cells: Sequence[str] | None) -> dict[int, str]:
        heads = self._state.heads.values()
        return {head.cell_id: head.cell for head in heads if cells is None or head.cell in cells}

    async def cells(self) -> list[str]:
        return sorted(self._state.heads)

    async def plant(self, version: int | None = None) -> PlantVersion | None:
        found = [row for row in self._state.plants if version in (None, row.version)]
        return found[-1] if found else None

    async def plant_version(self) -> int:
        return len(self._state.plants)

    async def heads(self, cells: Sequence[str]) -> dict[str, Head]:
        return {cell: _own(self._state.heads[cell]) for cell in cells if cell in self._state.heads}

    async def spans(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[ZoneSpan]]:
        ids, found = self._ledgers(cells), dict[str, list[ZoneSpan]]()
        for (ledger_id, _, _), row in sorted(self._state.spans.items()):
            if ledger_id in ids and row.span.start_us < end_us and row.span.end_us > start_us:
                found.setdefault(ids[ledger_id], []).append(row)
        return found

    async def count_fasteners(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[Count]:
        ids, counts = self._ledgers(cells), Counter[tuple[Any, ...]]()
        for owned, row in self._state.fasteners.items():
            for segment in _within(segments, row.at_us) if owned[0] in ids else ():
                result = self._state.results.get(owned) or row.result
                kind = (ids[owned[0]], segment, row.zone, row.operation, row.item, row.program, row.result, result)
                counts[kind] += 1
        return [Count._make((*kind, number)) for kind, number in counts.items()]

    async def count_defects(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[DefectCount]:
        ids, counts = self._ledgers(cells), Counter[tuple[Any, ...]]()
        for owned, row in self._state.fasteners.items():
            result = self._state.results.get(owned) or row.result
            for segment in _within(segments, row.at_us) if owned[0] in ids and result != "good" else ():
                counts[
                    ids[owned[0]], segment, row.zone, row.operation, row.item, row.program, row.position, result
                ] += 1
        return [DefectCount._make((*kind, number)) for kind, number in counts.items()]

    async def count_by_panel(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[PanelCount]:
        ids, counts = self._ledgers(cells), Counter[tuple[Any, ...]]()
        for owned, row in self._state.fasteners.items():
            for segment in _within(segments, row.at_us) if owned[0] in ids else ():
                counts[ids[owned[0]], segment, row.zone, row.panel, self._state.results.get(owned) or row.result] += 1
        return [PanelCount._make((*kind, number)) for kind, number in counts.items()]

    async def count_paced(
        self, cells: Sequence[str], zone: str | None, window: Interval, until_us: int, parts: int
    ) -> list[PaceCount]:
        ids, (start_us, end_us) = self._ledgers(cells), window
        made, good = Counter[tuple[str, str, int]](), Counter[tuple[str, str, int]]()
        for owned, row in self._state.fasteners.items():
            if owned[0] in ids and zone in (None, row.zone) and start_us <= row.at_us < min(end_us, until_us):
                key = ids[owned[0]], row.zone, (row.at_us - start_us) * parts // (end_us - start_us)
                made[key] += 1
                good[key] += (self._state.results.get(owned) or row.result) == "good"
        return [PaceCount(*key, number, good[key]) for key, number in made.items()]

    async def pauses(
        self, asked: Sequence[PausesAsked], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Pause]]:
        ids, found = self._ledgers([one.cell for one in asked]), dict[tuple[str, str], list[Pause]]()
        for cell, zone, longer_us, since_us, until_us in asked:
            rows = [row for owned, row in self._state.fasteners.items() if ids.get(owned[0]) == cell]
            near = [row for row in rows if min(since_us, start_us) <= row.at_us <= max(until_us, end_us - 1)]
            own = [row for row in near if zone in ("", row.zone)]
            cuts = [Cut(row.at_us, row.operation, row.item, row.program) for row in sorted(own, key=_by_time)]
            ends = [Pause(*pair) for pair in pairwise([None, *cuts, None])]
            found[cell, zone] = [one for one in ends if _is_pause(one, longer_us, start_us, end_us)]
        return found

    async def activities(
        self, zones: Sequence[tuple[str, str]], start_us: int, end_us: int
    ) -> dict[tuple[str, str], list[Activity]]:
        ids, found = self._ledgers([cell for cell, _ in zones]), dict[tuple[str, str], list[Activity]]()
        own = [(ids[owner], row) for owner, row in self._state.activities.values() if owner in ids]
        for place in zones:
            rows = [row for cell, row in own if (cell, row.zone) == place and row.start_us < end_us]
            rows.sort(key=lambda row: (row.start_us, row.end_us, row.place))
            since_us = _reach_back(rows, start_us)
            if kept := [row for row in rows if since_us <= row.start_us]:
                found[place] = kept
        return found

    async def alarms(self, cells: Sequence[str], start_us: int, end_us: int) -> dict[str, list[Alarm]]:
        ids = self._ledgers(cells)
        own = [(ids[key[0]], row) for key, row in self._state.alarms.items() if key[0] in ids]
        found: dict[str, list[Alarm]] = {}
        for cell, row in sorted(own, key=lambda one: (one[1].at_us, one[1][:2])):
            if start_us <= row.at_us < end_us:
                found.setdefault(cell, []).append(row)
        return found

    async def last_raises(self, wanted: Sequence[Wanted]) -> list[Raised | None]:
        found: list[Raised | None] = []
        for one in wanted:
            rows = (await self.alarms([one.cell], -(2**62), one.until_us + 1)).get(one.cell, [])
            own = [row for row in rows if (row.code, row.severity) == (one.code, "stop")]
            bearing = [row for row in own if not one.zone or row.zone in ("", one.zone)]
            found.append(Raised(bearing[-1].at_us, bearing[-1].subsystem) if bearing else None)
        return found

    def _made(self, pieces: Sequence[Piece], zone: str | None) -> Iterator[tuple[int, Fastener, str]]:
        for owned, row in self._state.fasteners.items() if pieces else ():
            cell = self._ledgers([piece.cell for piece in pieces]).get(owned[0])
            for piece in pieces if zone in (None, row.zone) else ():
                if piece.cell == cell and piece.start_us <= row.at_us < piece.end_us:
                    yield piece.part, row, self._state.results.get(owned) or row.result

    async def count_made(self, pieces: Sequence[Piece], zone: str | None) -> list[Made]:
        counts = Counter(
            (part, row.operation, row.item, row.program, row.result, final, row.seconds)
            for part, row, final in self._made(pieces, zone)
        )
        return [Made(*kind, number) for kind, number in counts.items()]

    async def busiest(
        self, pieces: Sequence[Piece], zone: str | None, length_us: int, last_us: int
    ) -> tuple[int, int] | None:
        at = [row.at_us for _, row, _ in self._made(pieces, zone)]
        begins = {min(at_us, last_us) for at_us in at}
        found = [(-sum(begin <= at_us < begin + length_us for at_us in at), begin) for begin in begins]
        number, begin_us = min(found, default=(0, 0))
        return (begin_us, -number) if number else None

    async def fasteners(
        self, cell: str, start_us: int, end_us: int, after: FastenerAfter | None, limit: int
    ) -> list[tuple[Fastener, str | None]]:
        ids, results = self._ledgers([cell]), self._state.results
        own = [(row, results.get(key)) for key, row in self._state.fasteners.items() if key[0] in ids]
        found = sorted(own, key=lambda one: (one[0].at_us, *one[0][:2]))
        rows = [one for one in found if start_us <= one[0].at_us < end_us]
        return [one for one in rows if after is None or (one[0].at_us, *one[0][:2]) > after][:limit]

    async def proofs(self, after_id: int, limit: int) -> list[Listed[ProofRow]]:
        kept = enumerate(self._state.proofs, start=1)
        return _page((Listed(i, row.unit, row) for i, row in kept), after_id, limit)

    async def proof(self, number: int) -> Listed[ProofRow] | None:
        found = await self.proofs(number - 1, 1)
        return found[0] if found and found[0].id == number else None

    async def count_unseen(self, cells: Sequence[str], segments: Sequence[Interval]) -> list[tuple[str, int, str, int]]:
        ids, sums = self._ledgers(cells), Counter[tuple[str, int, str]]()
        for ledger_id, row in self._state.discrepancies.values():
            for segment in _within(segments, row.at_us) if ledger_id in ids and row.kind == "unseen" else ():
                sums[ids[ledger_id], segment, row.zone] += row.unseen
        return [(*place, number) for place, number in sums.items()]

    async def revisions(
        self, units: Sequence[str], start_us: int, end_us: int, after_id: int, limit: int | None
    ) -> list[Listed[Revision]]:
        numbered = [Listed(i, row.unit, row) for i, row in enumerate(self._state.revisions, start=1)]
        found = [one for one in numbered if one.cell in units and one.row.from_us < end_us and one.row.to_us > start_us]
        return _page(found, after_id, len(found) if limit is None else limit)

    async def presums(self, line: str, cell: str, start_us: int, end_us: int, limit: int | None = None) -> list[Presum]:
        own = [row for key, (_, row) in sorted(self._state.presums.items()) if key[:2] == (line, cell)]
        return [row for row in own if start_us <= row.start_us and row.end_us <= end_us][:limit]

    async def presummed(self, line: str, start_us: int, end_us: int) -> set[tuple[str, int]]:
        return {(cell, us) for owner, cell, us in self._state.presums if owner == line and start_us <= us < end_us}

    async def begun_us(self, cells: Sequence[str]) -> int | None:
        ids = self._ledgers(cells)
        return min((key[2] for key in self._state.spans if key[0] in ids), default=None)

    async def stamp(self, basis: Basis) -> Stamp:
        rows = [number for key, (number, _) in self._state.presums.items() if key[:2] in basis.places]
        starts = {number: row.start_us for number, row in self._state.presums.values()}
        there = [number for number in rows if basis.start_us <= starts[number] < basis.end_us]
        changes = await self.revisions(basis.units, basis.start_us, basis.end_us, 0, None)
        last = max((one.id for one in changes), default=0)
        return Stamp(len(self._state.plants), len(there), max(there, default=0), len(changes), last)

    async def given(self, cells: Sequence[str], start_us: int, end_us: int) -> list[Listed[GivenRow]]:
        found = await self.given_history(cells, None, 0, len(self._state.given))
        return [one for one in found if one.row.start_us < end_us and one.row.end_us > start_us]

    async def given_history(
        self, cells: Sequence[str], zone: str | None, after_id: int, limit: int
    ) -> list[Listed[GivenRow]]:
        rows = [Listed(i, row.cell, row) for i, row in self._state.given.items() if row.cell in cells]
        return _page((one for one in rows if zone in (None, one.row.zone)), after_id, limit)

    async def given_entry(self, number: int) -> Listed[GivenRow] | None:
        row = self._state.given.get(number)
        return Listed(number, row.cell, row) if row else None

    async def lease(self, name: str) -> LeaseRow | None:
        held = self._state.leases.get(name)
        return LeaseRow(held[0], held[1] - now_us()) if held else None

    def _refused(self, which: RefusedFilter) -> list[Listed[RefusedRow]]:
        return [
            Listed(i, row.cell, row)
            for i, row in self._state.refused.items()
            if which.cell in (None, row.cell)
            and which.reason in (None, row.reason)
            and (which.ids is None or i in which.ids)
            and which.after_id < i <= (inf if which.upto_id is None else which.upto_id)
            and (which.arrived_us is None or which.arrived_us[0] <= row.arrived_us < which.arrived_us[1])
        ]

    async def refused(self, which: RefusedFilter, limit: int) -> list[Listed[RefusedRow]]:
        return self._refused(which)[:limit]

    async def refused_sizes(self, which: RefusedFilter, limit: int) -> list[RefusedSize]:
        return [RefusedSize(row.id, row.cell, len(row.row.body)) for row in self._refused(which)[:limit]]

    async def last_refused_id(self) -> int:
        return max(self._state.refused, default=0)

    async def count_refused(
        self, by: Literal["reason", "cell"], which: RefusedFilter, limit: int
    ) -> list[tuple[str, int]]:
        return Counter(str(getattr(row.row, by)) for row in self._refused(which)).most_common(limit)

    async def events_by_arrival(self, cells: Sequence[str] | None, after_id: int, limit: int) -> list[Listed[EventRow]]:
        ids, kept = self._cells(cells), enumerate(self._state.events.values(), start=1)
        return _page((Listed(i, ids[row.cell_id], row) for i, row in kept if row.cell_id in ids), after_id, limit)

    async def snapshots_by_arrival(
        self, cells: Sequence[str] | None, after_id: int, limit: int
    ) -> list[Listed[SnapshotRow]]:
        ids, kept = self._cells(cells), enumerate(self._state.snapshots, start=1)
        return _page((Listed(i, ids[row.cell_id], row) for i, row in kept if row.cell_id in ids), after_id, limit)

    async def gaps(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Gap]]:
        ids, kept = self._ledgers(cells), self._state.gaps.items()
        return _page((Listed(i, ids[owner], row) for i, (owner, row) in kept if owner in ids), after_id, limit)

    async def discrepancies(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Discrepancy]]:
        ids, kept = self._ledgers(cells), self._state.discrepancies.items()
        return _page((Listed(i, ids[owner], row) for i, (owner, row) in kept if owner in ids), after_id, limit)

    async def unmatched(self, cells: Sequence[str], after_id: int, limit: int) -> list[Listed[Unmatched]]:
        state, found = self._state, []
        heads = {head.cell_id: head for head in state.heads.values() if head.cell in cells}
        for i, event in enumerate(state.events.values(), start=1):
            head = heads.get(event.cell_id)
            given = state.verdicts.get((head.ledger_id, event.boot, event.seq)) if head else None
            if head and given and not self._made_before(head.ledger_id, given):
                found.append(Listed(i, head.cell, Unmatched(given, event.at_us, event.arrived_us)))
        return _page(found, after_id, limit)

    def _made_before(self, ledger_id: int, given: Verdict) -> bool:
        place = given.panel, given.position
        made = ((owner, row) for (owner, *_), row in self._state.fasteners.items())
        return any(
            owner == ledger_id and (row.panel, row.position) == place and row[:2] < given[:2] for owner, row in made
        )


def _by_time(row: Fastener) -> tuple[int, int, int]:
    return row.at_us, row.boot, row.seq


def _is_pause(pause: Pause, longer_us: int, start_us: int, end_us: int) -> bool:
    """Tell whether a pause overlaps a window and is long enough, which one at either end always is."""
    begins_us = -inf if pause.before is None else pause.before.at_us
    ends_us = inf if pause.after is None else pause.after.at_us
    return begins_us < end_us and ends_us > start_us and ends_us - begins_us > longer_us


def _within(segments: Sequence[Interval], at_us: int) -> Iterator[int]:
    return (i for i, (from_us, to_us) in enumerate(segments) if from_us <= at_us < to_us)


def _in_stretch(place: tuple[int, ...], stretch: Stretch) -> bool:
    size = len(place)
    after, upto = stretch.after, stretch.upto
    return (after is None or place > after[:size]) and (upto is None or place <= upto[:size])


def _span_in_stretch(row: ZoneSpan, stretch: Stretch) -> bool:
    start_us = stretch.starts.get(row.zone, stretch.start_us)
    stop_us = stretch.stops.get(row.zone, stretch.stop_us)
    return (-inf if start_us is None else start_us) <= row.span.start_us < (inf if stop_us is None else stop_us)


class _MemoryWriting(_MemoryReading, MemoryKeyringWriting):
    async def take_lease(self, name: str, holder: str, for_us: int) -> bool:
        held = await self.lease(name)
        if held is not None and held.holder != holder and held.left_us > 0:
            return False
        self._state.leases[name] = (holder, now_us() + for_us)
        return True

    async def give_up_lease(self, name: str, holder: str) -> None:
        if self._state.leases.get(name, ("", 0))[0] == holder:
            del self._state.leases[name]

    async def lock_plants(self) -> None:
        """Nothing to do: one transaction runs at a time."""

    async def add_plant(self, document: str, applied_us: int) -> int:
        version = len(self._state.plants) + 1
        self._state.plants.append(PlantVersion(version, document, applied_us))
        return version

    async def add_proof(self, row: ProofRow) -> int:
        self._state.proofs.append(row)
        return len(self._state.proofs)

    async def freeze_proof(self, number: int, frozen: str, frozen_us: int) -> bool:
        row = self._state.proofs[number - 1]
        if row.frozen is not None:
            return False
        self._state.proofs[number - 1] = row._replace(frozen=frozen, frozen_us=frozen_us)
        return True

    async def lock_heads(self, cells: Sequence[str]) -> dict[str, Head]:
        heads = self._state.heads
        for cell in cells:
            if cell not in heads:
                heads[cell] = Head(len(heads) + 1, cell, ledger_id=await self.begin_ledger(cell, 0))
        return await self.heads(cells)

    async def save_heads(self, heads: Iterable[Head]) -> None:
        self._state.heads |= {head.cell: _own(head) for head in heads}

    async def events_at(self, cell_id: int, keys: Sequence[Key]) -> dict[Key, str]:
        events = self._state.events
        return {key: events[cell_id, *key].body for key in keys if (cell_id, *key) in events}

    async def add_events(self, rows: Sequence[EventRow]) -> None:
        for row in rows:
            _add(self._state.events, row[:3], row)

    async def events_after(self, cell_id: int, key: Key | None, limit: int) -> list[tuple[Key, str]]:
        own = sorted((owned[1:], row.body) for owned, row in self._state.events.items() if owned[0] == cell_id)
        return [(at, body) for at, body in own if key is None or at > key][:limit]

    async def snapshots_at(self, cell_id: int, places: Sequence[tuple[int, int, int]]) -> set[SnapshotRow]:
        wanted = set(places)
        return {row for row in self._state.snapshots if row.cell_id == cell_id and row[1:4] in wanted}

    async def snapshots_between(self, cell_id: int, first: Key | None, before: Key | None) -> list[SnapshotRow]:
        return sorted(
            row
            for row in self._state.snapshots
            if row.cell_id == cell_id and (first is None or row[1:3] >= first) and (before is None or row[1:3] < before)
        )

    async def add_snapshots(self, rows: Sequence[SnapshotRow]) -> None:
        self._state.snapshots.extend(rows)

    async def checkpoint_before(self, ledger_id: int, key: Key) -> Checkpoint | None:
        before = [owned for owned in self._state.checkpoints if owned[0] == ledger_id and owned[1:] < key]
        return Checkpoint(*max(before)[1:], self._state.checkpoints[max(before)]) if before else None

    async def put_checkpoints(self, rows: Sequence[tuple[int, Checkpoint]]) -> None:
        self._state.checkpoints |= {(ledger_id, row.boot, row.seq): row.booking for ledger_id, row in rows}

    async def begin_ledger(self, cell: str, now_us: int) -> int:
        # Numbered unlike the cells, so that one is not taken for the other.
        ledger_id = 1000 + self._state.next_number()
        self._state.ledgers[ledger_id] = (cell, now_us)
        return ledger_id

    async def ledgers(self, cell: str) -> dict[int, int]:
        return {ledger_id: touched for ledger_id, (owner, touched) in self._state.ledgers.items() if owner == cell}

    async def touch_ledger(self, ledger_id: int, now_us: int) -> bool:
        if ledger_id not in self._state.ledgers:
            return False
        self._state.ledgers[ledger_id] = (self._state.ledgers[ledger_id][0], now_us)
        return True

    async def copy_booked(
        self, old_id: int, new_id: int, stretch: Stretch, after: Cursor | None, rows: int
    ) -> Cursor | None:
        s, found = self._state, await self.booked(old_id, stretch)
        await self.add_booked([(new_id, found)])
        s.results |= {(new_id, *row[:2]): s.results.get((old_id, *row[:2])) for row in found.fasteners}
        own = await self.next_checkpoints(old_id, None, len(s.checkpoints))
        await self.put_checkpoints([(new_id, row) for row in own if _in_stretch((row.boot, row.seq), stretch)])
        return None

    async def forget_booked(self, ledger_id: int, stretch: Stretch, rows: int) -> bool:
        s, upto = self._state, stretch.upto
        assert upto is not None
        await self.remove_booked(ledger_id, stretch, await self.booked(ledger_id, stretch))
        s.checkpoints = {key: kept for key, kept in s.checkpoints.items() if key[0] != ledger_id or key[1:] >= upto[:2]}
        return True

    async def forget_messages(self, cell_id: int, upto: Key, rows: int) -> bool:
        s = self._state
        s.events = {key: row for key, row in s.events.items() if key[0] != cell_id or key[1:] > upto}
        s.snapshots = [row for row in s.snapshots if row.cell_id != cell_id or row[1:3] >= upto]
        return True

    async def forget_refused(self, before_us: int, rows: int) -> bool:
        s = self._state
        s.refused = {i: row for i, row in s.refused.items() if row.arrived_us >= before_us}
        return True

    async def forget_revisions(self, unit: str, before_us: int, rows: int) -> bool:
        s = self._state
        s.revisions = [row for row in s.revisions if row.unit != unit or row.to_us >= before_us]
        return True

    async def remove_ledger(self, ledger_id: int, rows: int) -> bool:
        s = self._state
        await self.remove_booked(ledger_id, _ALL, await self.booked(ledger_id, _ALL))
        s.checkpoints = {key: kept for key, kept in s.checkpoints.items() if key[0] != ledger_id}
        del s.ledgers[ledger_id]
        return True

    async def arrivals(self, cell_id: int) -> Arrivals:
        return Arrivals(len(self._state.events), len(self._state.snapshots))

    async def places_since(self, cell_id: int, arrivals: Arrivals) -> list[Place]:
        events = [(key[0], Place(*key[1:], 0)) for key in list(self._state.events)[arrivals.event_id :]]
        snapshots = [(row.cell_id, Place(*row[1:3], 1)) for row in self._state.snapshots[arrivals.snapshot_id :]]
        return sorted(place for owner, place in events + snapshots if owner == cell_id)

    async def booked(self, ledger_id: int, stretch: Stretch) -> Booked:
        s = self._state
        return Booked(
            [row for key, row in s.spans.items() if key[0] == ledger_id and _span_in_stretch(row, stretch)],
            [row for key, row in s.fasteners.items() if key[0] == ledger_id and _in_stretch(key[1:], stretch)],
            [row for key, row in s.verdicts.items() if key[0] == ledger_id and _in_stretch(key[1:], stretch)],
            [row for owner, row in s.gaps.values() if owner == ledger_id and _in_stretch(row.place, stretch)],
            [row for owner, row in s.discrepancies.values() if owner == ledger_id and _in_stretch(row.place, stretch)],
            [row for owner, row in s.activities.values() if owner == ledger_id and _in_stretch(row.place, stretch)],
            [row for key, row in s.alarms.items() if key[0] == ledger_id and _in_stretch(key[1:], stretch)],
        )

    async def remove_booked(self, ledger_id: int, stretch: Stretch, rows: Booked) -> None:
        s = self._state
        for span in rows.spans:
            s.spans.pop((ledger_id, span.zone, span.span.start_us), None)
        for row in rows.fasteners:
            s.fasteners.pop((ledger_id, *row[:2]), None)
            s.results.pop((ledger_id, *row[:2]), None)
        for given in rows.verdicts:
            s.verdicts.pop((ledger_id, *given[:2]), None)
        if rows.gaps:
            s.gaps = _without(s.gaps, ledger_id, stretch)
        if rows.discrepancies:
            s.discrepancies = _without(s.discrepancies, ledger_id, stretch)
        if rows.activities:
            s.activities = _without(s.activities, ledger_id, stretch)
        for alarm in rows.alarms:
            s.alarms.pop((ledger_id, *alarm[:2]), None)

    async def add_booked(self, rows: Sequence[tuple[int, Booked]]) -> None:
        s = self._state
        for ledger_id, booked in rows:
            for span in booked.spans:
                _add(s.spans, (ledger_id, span.zone, span.span.start_us), span)
            for fastener in booked.fasteners:
                _add(s.fasteners, (ledger_id, *fastener[:2]), fastener)
            for verdict in booked.verdicts:
                _add(s.verdicts, (ledger_id, *verdict[:2]), verdict)
            s.gaps |= {s.next_number(): (ledger_id, row) for row in booked.gaps}
            s.discrepancies |= {s.next_number(): (ledger_id, row) for row in booked.discrepancies}
            s.activities |= {s.next_number(): (ledger_id, row) for row in booked.activities}
            for alarm in booked.alarms:
                _add(s.alarms, (ledger_id, *alarm[:2]), alarm)

    async def made_at(
        self, ledger_id: int, positions: Sequence[tuple[str, str]]
    ) -> tuple[list[tuple[Fastener, str | None]], list[Verdict]]:
        s, wanted = self._state, set(positions)
        made = [
            (row, s.results.get(key))
            for key, row in s.fasteners.items()
            if key[0] == ledger_id and (row.panel, row.position) in wanted
        ]
        own = [row for key, row in s.verdicts.items() if key[0] == ledger_id]
        return made, [row for row in own if (row.panel, row.position) in wanted]

    async def put_verdicts(self, ledger_id: int, results: dict[Key, str | None]) -> None:
        self._state.results |= {(ledger_id, *key): result for key, result in results.items()}

    async def add_refused(self, rows: Sequence[RefusedRow]) -> None:
        self._state.refused |= {self._state.next_number(): row for row in rows}

    async def lock_refused(self, ids: Sequence[int]) -> list[Listed[RefusedRow]]:
        return self._refused(RefusedFilter(ids=tuple(ids)))

    async def remove_refused(self, ids: Sequence[int]) -> None:
        for number in ids:
            del self._state.refused[number]

    async def change_refused(self, rows: Sequence[tuple[int, str, str]]) -> None:
        for number, reason, detail in rows:
            self._state.refused[number] = self._state.refused[number]._replace(reason=reason, detail=detail)

    async def lock_given(self) -> None:
        """Nothing to do: one transaction runs at a time."""

    async def add_given(self, row: GivenRow) -> int:
        number = self._state.next_number()
        self._state.given[number] = row
        return number

    async def add_revisions(self, rows: Sequence[Revision]) -> None:
        self._state.revisions += rows
        await self.drop_presums([Outdated(row.unit, row.from_us, row.to_us) for row in rows])

    async def lock_presums(self) -> None:
        """Nothing to do: one transaction runs at a time."""

    async def put_presums(self, rows: Sequence[Presum]) -> None:
        self._state.presums |= {row[:3]: (self._state.next_number(), row) for row in rows}

    async def drop_presums(self, outdated: Sequence[Outdated]) -> None:
        for unit, from_us, to_us in outdated:
            for key, (_, row) in list(self._state.presums.items()):
                concerned = _bears_on(unit, row) and row.start_us < to_us and row.end_us > from_us
                if concerned:
                    del self._state.presums[key]


_ALL = Stretch(None, None, {}, {}, None)


def _bears_on(unit: str, row: Presum) -> bool:
    """Tell whether a change of a unit bears on a pre-sum: of a zone on its cell's, else on all above and below."""
    if unit.count("/") == 3:
        return row.cell == unit.rpartition("/")[0]
    place = row.cell or row.line
    return f"{place}/".startswith(f"{unit}/") or f"{unit}/".startswith(f"{place}/")


def _without(table: dict[int, tuple[int, Any]], ledger_id: int, stretch: Stretch) -> dict[int, tuple[int, Any]]:
    return {
        i: (owner, row)
        for i, (owner, row) in table.items()
        if owner != ledger_id or not _in_stretch(row.place, stretch)
    }


class MemoryStore:
    """One transaction at a time; a reader keeps the state that was committed when it began."""

    def __init__(self) -> None:
        self._state = _State()
        self._one = asyncio.Lock()

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[Reading]:
        """Begin one consistent look."""
        yield _MemoryReading(self._state)

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction; an error leaves the state as it was."""
        async with self._one:
            state = self._state.copied()
            yield _MemoryWriting(state)
            self._state = state

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same."""
        return await _MemoryReading(self._state).stamp(basis)

    async def close(self) -> None:
        """Nothing to let go of."""
