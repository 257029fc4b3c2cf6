"""What every route needs: the service, the unit that a path names, and the window that a query asks for."""

from typing import Annotated

from fastapi import Depends, Query, Request

from zoneledger.api.times import Day, Instant
from zoneledger.application.ports import Reading
from zoneledger.application.windows import Asked
from zoneledger.bootstrap import Service
from zoneledger.core.errors import UnitUnknown
from zoneledger.core.plant import Plant, Unit


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


ServiceOf = Annotated[Service, Depends(_service)]


def _asked(
    start: Annotated[Instant | None, Query(description="Begin of the window, included; goes with `end`")] = None,
    end: Annotated[Instant | None, Query(description="End of the window, not included")] = None,
    shift: Annotated[
        str | None,
        Query(description="A shift, by local date at its start and name", examples=["2026-11-25/early"], max_length=60),
    ] = None,
    day: Annotated[Day | None, Query(description="A local date of the site")] = None,
) -> Asked:
    return Asked(start, end, shift, day)


AskedWindow = Annotated[Asked, Depends(_asked)]


def find_unit(plant: Plant, path: str) -> Unit:
    """Return a unit of the plant; raise UnitUnknown that names what there is beside it."""
    unit = plant.find(path)
    if unit is None:
        parent = path.rpartition("/")[0]
        depth = parent.count("/") + 1 if parent and plant.find(parent) else 0
        below = [
            one.path for one in plant if one.path.count("/") == depth and one.path.startswith(parent if depth else "")
        ]
        names = ", ".join(below[:10]) or "none; declare the plant by PUT /v1/plant"
        raise UnitUnknown(f"The plant model has no unit {path[:200]}. There are: {names}.")
    return unit


async def unit_of(service: Service, reading: Reading, path: str) -> Unit:
    """Return a unit of the present plant model."""
    return find_unit((await service.plants.present(reading)).plant, path)
