"""A story of a cell, what people say of it on a store, and what is told then."""

from typing import Any

from tests.contract.payloads import alarm, message, snapshot
from tests.contract.recording import CELL, NOW_US
from zoneledger.application.given import Questions, Told, read_history, read_questions
from zoneledger.application.giving import Giving, Kept, give, undo
from zoneledger.application.kpi import read_kpis
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Store
from zoneledger.application.stored import Revision
from zoneledger.application.windows import Window
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Cell, Line, Plant, ReasonChoice, Site, Unit
from zoneledger.core.validation import parse_instant

BEGIN_US = parse_instant("begin", "2026-11-25T06:00:00Z")
SECOND_US = 1_000_000
CHOICES = (ReasonChoice("crane"), ReasonChoice("sensor", None, ("fault",)), ReasonChoice("break", None, ("idle",)))
LINE = Line("wing-1", cells=(Cell("cell-1", ("1", "2")), Cell("cell-2", ("1",))))
PLANT = Plant((Site("harbour", "Europe/Lisbon", (LINE,), CHOICES, ("shift-lead", "maintenance")),))
DECLARED = DeclaredPlant(1, PLANT, "", 0)
WINDOW = Window(BEGIN_US, BEGIN_US + 600 * SECOND_US)

#: Zone 1 is idle without a reason to 200, in fault to 300, waits for a panel to 400, and is idle without a reason to 600; zone 2 waits
#: all the time.
STORY = [
    snapshot(0, 0),
    message(1, 0, zone="2"),
    alarm("raise", "clamp", 2, 200, zone="1"),
    alarm("clear", "clamp", 3, 300, zone="1"),
    message(4, 300),
    message(5, 400, phase="end"),
    snapshot(5, 600, zones={"1": {}, "2": {"wait": "panel"}}),
]


def at(second: float) -> int:
    """Return the instant of a second of the story."""
    return BEGIN_US + round(second * SECOND_US)


def unit(path: str = CELL + "/1") -> Unit:
    """Return a unit of the plant, unless told zone 1."""
    found = PLANT.find(path)
    assert found
    return found


async def say(store: Store, start: float, end: float, reason: str | None = "crane", **fields: Any) -> Kept:
    """Give a reason over seconds of the story, unless told to zone 1 by a shift lead."""
    role, where = fields.pop("role", "shift-lead"), fields.pop("unit", unit())
    giving = Giving(at(start), at(end), reason, role, **fields)
    async with store.writing() as writing:
        return await give(writing, where, giving, NOW_US, Limits())


async def take_away(store: Store, number: int, role: str = "shift-lead", plant: DeclaredPlant = DECLARED) -> Kept:
    """Undo an entry."""
    async with store.writing() as writing:
        return await undo(writing, plant, number, role, None, NOW_US, Limits())


async def given_s(store: Store, path: str = CELL + "/1") -> dict[tuple[str, str, str], float]:
    """Return the seconds with a given reason of a unit over the story."""
    async with store.reading() as reading:
        [kpi] = await read_kpis(reading, unit(path), [WINDOW], NOW_US, Limits())
    assert sum(kpi.account.reasons.values()) == kpi.account.planned_us
    return {key: length_us / SECOND_US for key, length_us in kpi.account.given.items()}


async def history(store: Store, path: str = CELL, after: int = 0, limit: int = 99) -> list[Told]:
    """Return a page of what was said of a unit, unless told of the cell."""
    async with store.reading() as reading:
        return await read_history(reading, unit(path), after, limit, NOW_US, Limits())


async def open_questions(store: Store, path: str = CELL + "/1", *states: str, limit: int = 99) -> Questions:
    """Return the open questions of the story that are longer than a minute, unless told of zone 1's idle time."""
    async with store.reading() as reading:
        return await read_questions(
            reading, unit(path), WINDOW, states or ("idle",), 60 * SECOND_US, limit, NOW_US, Limits()
        )


async def causes(store: Store, unit_path: str, word: str = "reason") -> list[Revision]:
    """Return the changes of a unit whose cause has a word."""
    async with store.reading() as reading:
        rows = [one.row for one in await reading.revisions([unit_path], 0, 2**62, 0, None)]
    return [row for row in rows if word in row.cause]
