"""Reads what windows come to off pre-sums, which are kept by slot; what of them is missing is summed off the ledger."""

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from zoneledger.application.giving_way import giving_way
from zoneledger.application.parts import by_line, read_sums, total_of
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Presum
from zoneledger.application.totals import Total, added, load_total
from zoneledger.application.windows import Window, longest_us
from zoneledger.core.booking import Limits
from zoneledger.core.calendar import DAY_US
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit
from zoneledger.core.spans import Interval
from zoneledger.wording import counted

#: What lies further apart is read by itself: rows between two windows cost less than a query, the ledger between them more.
ROWS_APART_US, LEDGER_APART_US = 31 * DAY_US, DAY_US
#: Windows that are summed without a pause for others.
AT_ONCE = 50


@dataclass(slots=True)
class Missing:
    """What of windows, by their index, no pre-sum tells of a line or one of its cells."""

    unit: Unit
    times: list[tuple[Interval, int]] = field(default_factory=list)


@dataclass(slots=True)
class Gathered:
    """The texts of the pre-sums of each window of a unit, what of the windows is missing, and how many rows were read."""

    unit: Unit
    texts: list[list[str]]
    missing: list[Missing] = field(default_factory=list)
    rows: int = 0

    @property
    def is_whole(self) -> bool:
        """Whether pre-sums tell all of it."""
        return not any(one.times for one in self.missing)


async def gather(reading: Reading, unit: Unit, windows: Sequence[Window], now_us: int) -> Gathered:
    """Read the pre-sums of windows of a unit up to the present; of a zone those of its cell."""
    past, gathered = _past(windows, now_us), Gathered(unit, [[] for _ in windows])
    for summed in summed_as(unit) if past else ():
        await _add(reading, summed, past, gathered, None)
    return gathered


async def gather_few(
    reading: Reading, unit: Unit, windows: Sequence[Window], now_us: int, most_rows: int
) -> Gathered | None:
    """Return the same, or None where pre-sums do not tell all of it, or more than so many would have to be read: they are not."""
    past, gathered = _past(windows, now_us), Gathered(unit, [[] for _ in windows])
    for summed in summed_as(unit) if past else ():
        await _add(reading, summed, past, gathered, most_rows + 1 - gathered.rows)
        if gathered.rows > most_rows or gathered.missing[-1].times:
            return None
    return gathered


def _past(windows: Sequence[Window], now_us: int) -> list[tuple[Interval, int]]:
    """Return the windows up to the present with their indexes, without those that are yet to come."""
    until = [(window.start_us, window.until_us(now_us)) for window in windows]
    return [(times, i) for i, times in enumerate(until) if times[0] < times[1]]


async def _add(
    reading: Reading, summed: Unit, past: Sequence[tuple[Interval, int]], gathered: Gathered, most_rows: int | None
) -> None:
    """Add the pre-sums of a line or cell in windows, and what of these is missing; of at most so many rows, None: of all."""
    rows, missing = await _read_rows(reading, summed, [times for times, _ in past], most_rows), Missing(summed)
    starts = [row.start_us for row in rows]
    for times, i in past:
        texts, left = _within(rows, starts, times)
        gathered.texts[i] += texts
        missing.times += [(interval, i) for interval in left]
    gathered.missing.append(missing)
    gathered.rows += len(rows)


async def totals_of(reading: Reading, gathered: Gathered, now_us: int, limits: Limits) -> list[Total]:
    """Return what each window comes to: of a zone as of its cell. What is missing is summed off the ledger.

    Raises WindowInvalid where of one window that would be too much of the ledger, whatever lines it is missing of.
    """
    _bound(gathered)
    read: dict[str, Total] = {}
    totals = []
    async for texts in giving_way(gathered.texts, AT_ONCE):
        read |= {text: load_total(text) for text in texts if text not in read}
        totals.append(added(read[text] for text in texts))
    for missing in gathered.missing:
        for near in _near(sorted(missing.times), LEDGER_APART_US, longest_us(missing.unit)):
            windows = [Window(*times) for times, _ in near]
            sums = await read_sums(reading, missing.unit, windows, now_us, limits)
            for part, (_, i) in zip(sums.parts, near, strict=True):
                totals[i] += total_of(missing.unit, part)
    return totals


def _bound(gathered: Gathered) -> None:
    unit, cell_us = gathered.unit, [0] * len(gathered.texts)
    for missing in gathered.missing:
        for (start_us, end_us), i in missing.times:
            cell_us[i] += (end_us - start_us) * len(missing.unit.cells)
    if max(cell_us, default=0) > longest_us(unit) * len(unit.cells):
        raise WindowInvalid(
            f"The ledger of {counted(len(unit.cells), 'cell', 'cells')} "
            f"is read of at most {longest_us(unit) / DAY_US:.1f} days at once, "
            "and more of this window than that is not summed beforehand. Ask for a shorter window, or a unit below."
        )


def summed_as(unit: Unit) -> list[Unit]:
    """Return the units whose pre-sums add up to a unit's: the lines of a site that have cells, and of a zone its cell."""
    if unit.level in ("cell", "zone"):
        return list(unit.cells)
    lines = by_line(unit.cells).items()
    return [Unit(path, "line", unit.site, cells[0].line, _cells=tuple(cells)) for path, cells in lines]


def place_of(unit: Unit) -> tuple[str, str]:
    """Return the (line, cell) under which a line or cell is pre-summed; a line itself under the cell ''."""
    assert unit.line_path is not None
    return unit.line_path, unit.cell_path or ""


async def _read_rows(reading: Reading, unit: Unit, times: Sequence[Interval], most: int | None) -> list[Presum]:
    found: dict[int, Presum] = {}
    for near in _near(sorted((one, 0) for one in times), ROWS_APART_US):
        if most is not None and len(found) >= most:
            break
        reach = min(start for (start, _), _ in near), max(end for (_, end), _ in near)
        left = None if most is None else most - len(found)
        found |= {row.start_us: row for row in await reading.presums(*place_of(unit), *reach, left)}
    return [found[start_us] for start_us in sorted(found)]


def _near(
    times: Iterable[tuple[Interval, int]], apart_us: int, longest_us: float = math.inf
) -> list[list[tuple[Interval, int]]]:
    """Return sorted times in groups, each so far from the next, or as long as a group may be."""
    groups: list[list[tuple[Interval, int]]] = []
    reached_us = 0
    for one in times:
        (start_us, end_us), _ = one
        if groups and start_us - reached_us < apart_us and end_us - groups[-1][0][0][0] <= longest_us:
            groups[-1].append(one)
            reached_us = max(reached_us, end_us)
        else:
            groups.append([one])
            reached_us = end_us
    return groups


def _within(rows: Sequence[Presum], starts: Sequence[int], times: Interval) -> tuple[list[str], list[Interval]]:
    """Return the texts of the rows that lie in a window as a whole, and when there are none; rows are sorted and disjoint."""
    texts, left, reached_us = list[str](), list[Interval](), times[0]
    for row in rows[bisect_left(starts, times[0]) : bisect_left(starts, times[1])]:
        if row.end_us > times[1]:
            break
        if row.start_us > reached_us:
            left.append((reached_us, row.start_us))
        texts.append(row.total)
        reached_us = row.end_us
    if reached_us < times[1]:
        left.append((reached_us, times[1]))
    return texts, left
