"""GET /v1/commissioning: what the service makes of a cell's messages, for whoever programs its controller."""

from collections.abc import Callable
from difflib import get_close_matches
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from zoneledger.api.access import CallerOf, Parameters, ServiceOf, UnitPath
from zoneledger.api.commissioning_answers import CommissioningAnswer
from zoneledger.api.commissioning_told import answer_of
from zoneledger.api.problems import MOST_NAMED, described
from zoneledger.api.turns import InTurn
from zoneledger.application.hearing import HOUR_US, MAX_HOURS, hear
from zoneledger.core.errors import LevelWrong, UnitUnknown
from zoneledger.core.plant import Plant, Unit
from zoneledger.wording import first_of, printable

router = APIRouter(tags=["evidence"], route_class=InTurn)


class CommissioningParameters(Parameters):
    """How far back is looked."""

    hours: float = Field(
        default=1,
        ge=0.001,
        le=MAX_HOURS,
        allow_inf_nan=False,
        description="How many hours are looked at, counted back from now",
        examples=[1],
    )


def find_cell(plant: Plant, path: str, reaches: Callable[[str], bool]) -> Unit:
    """Return a cell of the plant; raise UnitUnknown or LevelWrong, which name cells in reach that may be meant, or all of these."""
    unit = plant.find(path)
    if unit is not None and unit.level == "cell":
        return unit
    cells = [one.path for one in plant if one.level == "cell" and reaches(one.path)]
    near = _near(cells, path)
    there = first_of(cells, MOST_NAMED) or "none yet; declare the plant by PUT /v1/plant"
    hint = f"Did you mean {first_of(near, MOST_NAMED)}?" if near else f"There are: {there}."
    told = f"A cell's path looks like site/line/cell. {hint}"
    if unit is None:
        raise UnitUnknown(f"The plant model has no cell {printable(path)}. {told}")
    raise LevelWrong(f"{unit.path} is a {unit.level}, and a cell is commissioned. {told}")


def _near(cells: list[str], path: str) -> list[str]:
    """Return the cells of that name, under that unit or around it; else those that are spelled nearly so."""
    path = path.strip("/")
    name = path.rpartition("/")[2]
    found = [
        cell
        for cell in cells
        if cell.endswith(f"/{name}") or cell.startswith(f"{path}/") or path.startswith(f"{cell}/")
    ]
    return found or get_close_matches(path, cells, MOST_NAMED) or _named_nearly(cells, name)


def _named_nearly(cells: list[str], name: str) -> list[str]:
    names = {cell.rpartition("/")[2] for cell in cells}
    near = set(get_close_matches(name, names, MOST_NAMED, cutoff=0.8))
    return [cell for cell in cells if cell.rpartition("/")[2] in near]


@router.get("/v1/commissioning/{cell:path}", responses=described("unit_unknown", "level_wrong", "busy"))
async def get_commissioning(
    service: ServiceOf,
    caller: CallerOf,
    cell: UnitPath,
    parameters: Annotated[CommissioningParameters, Query()],
) -> CommissioningAnswer:
    """What came of a cell's controller in the last hours, what was refused and why, and where it breaks the message contract.

    `findings` say what is wrong and what to do, breaches of the contract first. `kept` is false where there is a breach, true where
    there is none, and null where there is none among what was read while more came than is read.
    """
    now_us = service.now_us()
    async with service.store.reading() as reading:
        unit = find_cell((await service.plants.present(reading)).plant, cell, caller.reaches)
        start_us = now_us - round(parameters.hours * HOUR_US)
        listens = service.listens is not None
        heard = await hear(reading, unit, start_us, now_us, service.limits, listens=listens)
    return answer_of(heard)
