"""What every route needs: the service, who calls, the unit that a path names, and the window that a query asks for."""

from typing import Annotated, Any
from urllib.parse import unquote_to_bytes

from fastapi import Depends, Path, Request
from pydantic import BaseModel, ConfigDict, Field
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api.guard import Entrance
from zoneledger.api.problems import ApiError, UnitNotThere
from zoneledger.api.times import Day, Instant, read_day, read_instant
from zoneledger.application.ports import Reading
from zoneledger.application.windows import Asked
from zoneledger.bootstrap import Service
from zoneledger.core.callers import Caller
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Plant, Unit
from zoneledger.wording import printable


async def _service(request: Request) -> Service:  # async, as the others are: FastAPI runs what is not in threads
    service: Service = getattr(request.state, "service", request.app.state.service)
    return service


ServiceOf = Annotated[Service, Depends(_service)]


async def _caller(request: Request) -> Caller:
    entrance: Entrance = request.state.entrance
    return entrance.caller


CallerOf = Annotated[Caller, Depends(_caller)]


UnitPath = Annotated[
    str,
    Path(
        description="The unit's path: `site`, `site/line`, `site/line/cell` or `site/line/cell/zone`",
        examples=["harbour/wing-1/cell-1"],
    ),
]


async def check_query(request: Request) -> None:
    """Raise ApiError for a query string that is not percent-encoded UTF-8: it would be read as something else."""
    try:
        unquote_to_bytes(request.scope["query_string"]).decode()
    except UnicodeDecodeError as error:
        raise ApiError("query_not_utf8", f"Byte {error.start} of the decoded query string is not UTF-8.") from None


class Parameters(BaseModel):
    """What a query string may hold; a name that is not known is an error, so that a slip of the pen is not overlooked."""

    model_config = ConfigDict(extra="forbid")


def optional(description: str, example: Any, **rules: Any) -> Any:
    """Return a parameter that may be left out."""
    return Field(default=None, description=description, examples=[example], **rules)


class WindowParameters(Parameters):
    """A window: `start` and `end`, or `shift`, or `day`."""

    start: Instant | SkipJsonSchema[None] = optional(
        "Begin of the window, included, RFC 3339 with an offset (write + as %2B); goes with `end`",
        "2026-11-25T06:00:00Z",
    )
    end: Instant | SkipJsonSchema[None] = optional(
        "End of the window, not included; at most 400 days after `start`", "2026-11-25T14:00:00Z"
    )
    shift: str | SkipJsonSchema[None] = optional(
        "A shift of the unit's line, by local date at its start and name; `now` for the one that lasts now, `last` for the one "
        "that ended last",
        "2026-11-25/early",
        max_length=60,
    )
    day: Day | SkipJsonSchema[None] = optional("A local date of the site, midnight to midnight", "2026-11-25")

    def asked(self) -> Asked:
        """Return the window as it was asked for."""
        return Asked(self.start, self.end, self.shift, self.day)


def read_against(text: str) -> Asked | None:
    """Return the window that another one is to be compared with, which never moves; None for `before`. Raises WindowInvalid."""
    if text == "before":
        return None
    first, joint, second = text.partition("/")
    try:
        if len(first) > len("2026-11-24"):
            return Asked(start_us=read_instant(first), end_us=read_instant(second))
        return Asked(shift=text) if joint else Asked(day=read_day(text))
    except ValueError as error:
        raise WindowInvalid(
            "against is before, a shift by its date and name (2026-11-24/early), a day (2026-11-24), or two instants joined by /, "
            f"and neither now nor last: {error}."
        ) from None


def find_unit(plant: Plant, path: str) -> Unit:
    """Return a unit of the plant; raise UnitUnknown that names what there is beside it."""
    unit = plant.find(path)
    if unit is None:
        parent = path.rpartition("/")[0]
        depth = parent.count("/") + 1 if parent and plant.find(parent) else 0
        beside = f"{parent}/" if depth else ""
        below = [one.path for one in plant if one.path.count("/") == depth and one.path.startswith(beside)]
        slash = ": leave out the slash at its end" if plant.find(path.rstrip("/")) else ""
        raise UnitNotThere(f"The plant model has no unit {printable(path)}{slash}.", below)
    return unit


async def unit_of(service: Service, reading: Reading, path: str) -> Unit:
    """Return a unit of the present plant model."""
    return find_unit((await service.plants.present(reading)).plant, path)
