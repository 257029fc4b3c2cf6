"""GET /v1/units: the plant's tree with the present state of each unit."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import Response
from msgspec.json import encode
from pydantic import BaseModel, Field

from zoneledger.api.access import CallerOf, ServiceOf
from zoneledger.api.guard import Guarded
from zoneledger.api.problems import described
from zoneledger.api.standing import standing
from zoneledger.api.times import Seconds, Time, rfc3339_or_none, seconds
from zoneledger.api.turns import Turns
from zoneledger.application.giving_way import giving_way
from zoneledger.application.plants import DeclaredPlant
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head, unknown_fields_of
from zoneledger.application.undeclared import read_undeclared
from zoneledger.application.units import NEVER_KNOWN, Moment, Moments
from zoneledger.bootstrap import Service
from zoneledger.core.callers import EVERYONE, Caller
from zoneledger.core.plant import Site, Unit

router = APIRouter(tags=["units"], route_class=Guarded)

#: How many cells are read at once, and how many of them are told without a pause for others.
CELLS_READ, CELLS_AT_ONCE = 100, 10


class Standing(BaseModel):
    """A unit's present state."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1/cell-1/1"])
    state: str = Field(description="running, idle, fault, changeover or unknown", examples=["running"])
    reason: str | None = Field(
        description="why: an alarm code, what it waits for, the activity, or why it is unknown", examples=["process"]
    )
    since: Time | None = Field(description="when this state and reason began; null where it was never known")


class Received(BaseModel):
    """What a cell's controller has sent so far."""

    events: int = Field(description="events stored", examples=[51200])
    snapshots: int = Field(description="snapshots that told something new", examples=[2880])
    duplicate: int = Field(description="messages that were known already", examples=[12])
    refused: int = Field(description="messages refused; see /v1/refused", examples=[0])
    unknown_fields: dict[str, int] = Field(
        description="fields that the contract does not have, ignored, by name", examples=[{"shade": 3}]
    )


class CellStanding(Standing):
    """A cell with its zones, its controller's link, and what was received from it."""

    zones: list[Standing]
    link: str | None = Field(
        description="up or down, as the link topic tells; null where it never did", examples=["up"]
    )
    link_since: Time | None = Field(description="when the link's last message arrived")
    last_message: Time | None = Field(description="the booked time of its last message")
    clock_offset_s: Seconds | None = Field(
        description="how far its controller's clock is ahead of the service's: the largest `at` less arrival of its last 10 to "
        "20 minutes of messages; of those that were refused as they lie ahead only where none was taken. Below zero its clock "
        "is behind, or its messages are late; null before any message",
        examples=[-0.012],
    )
    received: Received


class LineUnits(BaseModel):
    """A line with its cells."""

    unit: str = Field(description="the line's path", examples=["harbour/wing-1"])
    cells: list[CellStanding]


class SiteUnits(BaseModel):
    """A site with its lines."""

    unit: str = Field(description="the site's path", examples=["harbour"])
    timezone: str = Field(description="the site's IANA time zone", examples=["Europe/Lisbon"])
    lines: list[LineUnits]


class UnitsAnswer(BaseModel):
    """The whole plant; to a caller of some units what lies in these."""

    plant_version: int = Field(description="version of the plant model, 0 before any was declared", examples=[1])
    sites: list[SiteUnits]
    undeclared: list[str] = Field(
        description="cells that sent messages and that the plant model does not name any more: their ledger is kept, and "
        "is there again once they are declared",
        examples=[["harbour/wing-1/cell-9"]],
    )


def _received(counts: dict[str, int]) -> dict[str, Any]:
    """Return what `Received` has."""
    names = ("events", "snapshots", "duplicate", "refused")
    return {name: counts.get(name, 0) for name in names} | {"unknown_fields": unknown_fields_of(counts)}


def _cell(unit: Unit, head: Head | None, moment: Moment) -> dict[str, Any]:
    """Return what `CellStanding` has, in its order."""
    assert unit.cell is not None
    present, clock = moment.present, head.present_clock if head else None
    return standing(unit.path, present.get("", NEVER_KNOWN)) | {
        "zones": [standing(f"{unit.path}/{zone}", present.get(zone, NEVER_KNOWN)) for zone in unit.cell.zones],
        "link": head.link if head else None,
        "link_since": rfc3339_or_none(head.link_us if head else None),
        "last_message": rfc3339_or_none(moment.booked_us),
        "clock_offset_s": seconds(clock.us) if clock else None,
        "received": _received(head.counts if head else {}),
    }


class _Known(NamedTuple):
    """What a cell's head came to, and how it stands in JSON."""

    unit: Unit
    head: Head | None
    moment: Moment
    text: str

    def holds(self, unit: Unit, head: Head | None, now_us: int) -> bool:
        return unit is self.unit and head == self.head and self.moment.holds(now_us)


class _Seen(NamedTuple):
    """What was read of all units, to be told to whoever asks."""

    declared: DeclaredPlant
    known: dict[str, _Known]
    undeclared: Sequence[str]

    def text(self, caller: Caller) -> bytes:
        """Return the answer to a caller in JSON: what they reach, and the lines and sites around it."""
        undeclared = [cell for cell in self.undeclared if caller.reaches(cell)]
        return b'{"plant_version":%d,"sites":[%b],"undeclared":%b}' % (
            self.declared.version,
            self._tree(caller).encode(),
            encode(undeclared),
        )

    def _tree(self, caller: Caller) -> str:
        """Return the sites in JSON, as `UnitsAnswer` has them: models of all cells would hold up the loop."""
        sites = [(site, self._lines(site, caller)) for site in self.declared.plant.sites]
        return ",".join(_site_told(site, lines) for site, lines in sites if lines or caller.reaches(site.name))

    def _lines(self, site: Site, caller: Caller) -> dict[str, list[str]]:
        """Return the cells in JSON that a caller reaches, by line: a line without any is left out, but where it is reached itself."""
        lines: dict[str, list[str]] = {}
        for line in site.lines:
            path = f"{site.name}/{line.name}"
            cells = [f"{path}/{cell.name}" for cell in line.cells]
            reached = [self.known[cell].text for cell in cells if caller.reaches(cell)]
            if reached or caller.reaches(path):
                lines[path] = reached
        return lines


def _site_told(site: Site, lines: dict[str, list[str]]) -> str:
    """Return a site in JSON, with its lines and their cells."""
    told = ",".join(f'{{"unit":"{path}","cells":[{",".join(cells)}]}}' for path, cells in lines.items())
    return f'{{"unit":"{site.name}","timezone":"{site.timezone}","lines":[{told}]}}'


class Units:
    """Makes the answer: once for all who ask while it waits, and anew only of cells that are not as they were."""

    def __init__(self) -> None:
        self._turns = Turns()
        self._asked = self._answered = 0
        self._answer = b""
        self._seen: _Seen | None = None
        self._known: dict[str, _Known] = {}

    async def answer(self, service: Service, caller: Caller) -> bytes:
        """Return the answer in JSON, read from the store after this call: it has what was committed before."""
        self._asked += 1
        number = self._asked
        async with self._turns.turn():
            if self._seen is None or self._answered < number:
                upto = self._asked
                self._seen = await self._look(service)
                self._answer = self._seen.text(EVERYONE)
                self._answered = upto
            return self._answer if caller.units is None else self._seen.text(caller)

    async def _look(self, service: Service) -> _Seen:
        async with service.store.reading() as reading:
            declared = await service.plants.present(reading)
            self._known = await self._read(reading, service, [unit for unit in declared.plant if unit.level == "cell"])
            return _Seen(declared, self._known, await read_undeclared(reading, declared.plant))

    async def _read(self, reading: Reading, service: Service, cells: list[Unit]) -> dict[str, _Known]:
        known: dict[str, _Known] = {}
        for start in range(0, len(cells), CELLS_READ):
            some = cells[start : start + CELLS_READ]
            heads = await reading.heads([unit.path for unit in some])
            now_us = service.now_us()
            async for unit in giving_way(some, CELLS_AT_ONCE):
                known[unit.path] = self._of(unit, heads.get(unit.path), now_us, service.moments)
        return known

    def _of(self, unit: Unit, head: Head | None, now_us: int, moments: Moments) -> _Known:
        before = self._known.get(unit.path)
        if before is not None and before.holds(unit, head, now_us):
            return before
        booking, link_down_us = (head.booking, head.link_down_us) if head else ("", None)
        moment = moments.of(unit.path, booking, link_down_us, now_us)
        return _Known(unit, head, moment, encode(_cell(unit, head, moment)).decode())


def install(app: FastAPI) -> None:
    """Give an application what makes this answer."""
    app.state.units = Units()


@router.get("/v1/units", responses=described(), response_model=UnitsAnswer)
async def get_units(request: Request, service: ServiceOf, caller: CallerOf) -> Response:
    """Every unit of the plant; cells and zones with their present state, reason and since when."""
    units: Units = request.app.state.units
    return Response(await units.answer(service, caller), media_type="application/json")
