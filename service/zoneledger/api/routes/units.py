"""GET /v1/units: the plant's tree with the present state of each unit."""

from fastapi import APIRouter
from pydantic import BaseModel, Field

from zoneledger.api.access import ServiceOf
from zoneledger.api.problems import described
from zoneledger.api.times import Seconds, Time, rfc3339_or_none, seconds
from zoneledger.application.undeclared import read_undeclared
from zoneledger.application.units import NEVER_KNOWN, Present, PresentCell, read_present
from zoneledger.core.plant import Plant, Unit

router = APIRouter(tags=["units"])


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
        "20 minutes of messages. Below zero its clock is behind, or its messages are late; null before any message",
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
    lines: list[LineUnits]


class UnitsAnswer(BaseModel):
    """The whole plant."""

    plant_version: int = Field(description="version of the plant model, 0 before any was declared", examples=[1])
    sites: list[SiteUnits]
    undeclared: list[str] = Field(
        description="cells that sent messages and that the plant model does not name any more: their ledger is kept, and "
        "is there again once they are declared",
        examples=[["harbour/wing-1/cell-9"]],
    )


def _standing(path: str, present: Present) -> dict[str, str | None]:
    return {"unit": path, "state": present.state, "reason": present.reason, "since": rfc3339_or_none(present.since_us)}


def _received(counts: dict[str, int]) -> Received:
    prefix = "unknown_field:"
    unknown = {name[len(prefix) :]: number for name, number in counts.items() if name.startswith(prefix)}
    names = ("events", "snapshots", "duplicate", "refused")
    return Received(**{name: counts.get(name, 0) for name in names}, unknown_fields=unknown)


def _cell(unit: Unit, cell: PresentCell) -> CellStanding:
    assert unit.cell is not None
    zones = [Standing(**_standing(f"{unit.path}/{z}", cell.present.get(z, NEVER_KNOWN))) for z in unit.cell.zones]  # type: ignore[arg-type]
    head = cell.head
    return CellStanding(
        **_standing(unit.path, cell.present.get("", NEVER_KNOWN)),  # type: ignore[arg-type]
        zones=zones,
        link=head.link if head else None,
        link_since=rfc3339_or_none(head.link_us if head else None),
        last_message=rfc3339_or_none(cell.booked_us),
        clock_offset_s=seconds(head.clock.us) if head and head.clock else None,
        received=_received(head.counts if head else {}),
    )


def _tree(plant: Plant, cells: dict[str, PresentCell]) -> list[SiteUnits]:
    sites: list[SiteUnits] = []
    for unit in plant:
        if unit.level == "site":
            sites.append(SiteUnits(unit=unit.path, lines=[]))
        elif unit.level == "line":
            sites[-1].lines.append(LineUnits(unit=unit.path, cells=[]))
        elif unit.level == "cell":
            sites[-1].lines[-1].cells.append(_cell(unit, cells[unit.path]))
    return sites


@router.get("/v1/units", responses=described())
async def get_units(service: ServiceOf) -> UnitsAnswer:
    """Every unit of the plant; cells and zones with their present state, reason and since when."""
    async with service.store.reading() as reading:
        declared = await service.plants.present(reading)
        cells = await read_present(reading, declared.plant, service.now_us(), service.limits)
        undeclared = await read_undeclared(reading, declared.plant)
    return UnitsAnswer(plant_version=declared.version, sites=_tree(declared.plant, cells), undeclared=undeclared)
