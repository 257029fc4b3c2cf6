"""GET and PUT /v1/plant: the plant model, declared whole."""

import asyncio
import json
from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, Query, Request
from fastapi.responses import Response
from pydantic import BaseModel, Field
from pydantic.json_schema import SkipJsonSchema
from ruamel.yaml import YAML
from starlette.requests import ClientDisconnect

from zoneledger.api.access import Parameters, ServiceOf, optional
from zoneledger.api.bodies import JSON, media_type, read_body
from zoneledger.api.door import noted
from zoneledger.api.guard import Guarded
from zoneledger.api.problems import ApiError, described
from zoneledger.api.times import Time, rfc3339
from zoneledger.api.turns import Turns
from zoneledger.application.audit import PLANT
from zoneledger.core.errors import PlantInvalid
from zoneledger.core.plant_changes import BEGINNING_US
from zoneledger.plant_document import EXAMPLE, PlantDocument, canonical_json, read_json, read_yaml
from zoneledger.plant_document.reading import NOT_JSON

router = APIRouter(tags=["plant"], route_class=Guarded)

MAX_PLANT_BYTES = 1024 * 1024
_FOR_YAML = "for YAML send content-type: application/yaml"
YAML_TYPES = ("application/yaml", "application/x-yaml", "text/yaml")


class VersionParameters(Parameters):
    """Which version is meant."""

    version: int | SkipJsonSchema[None] = optional("A version, the present one unless told", 3, ge=1, le=2**31 - 1)


class RestatedAnswer(BaseModel):
    """A line or cell whose figures of the past a plant model changes."""

    unit: str = Field(description="the unit's path", examples=["harbour/wing-1"])
    start: Time | None = Field(description="from when on, for good; null: from the beginning")


class DeclaredAnswer(BaseModel):
    """The version that a declared plant model has; the same model again keeps its version."""

    version: int = Field(description="the version, from 1", examples=[3])
    applied: Time = Field(description="when this version was declared")
    restates: list[RestatedAnswer] = Field(
        description="whose figures of the past it changes, lines first; empty for the same model again"
    )


_SCHEMA = PlantDocument.model_json_schema(ref_template="#/components/schemas/{model}")
DEFINITIONS: dict[str, Any] = _SCHEMA.pop("$defs", {}) | {"PlantDocument": _SCHEMA}
_DOCUMENT = {"schema": {"$ref": "#/components/schemas/PlantDocument"}, "example": EXAMPLE}
_CONTENT = {JSON: _DOCUMENT, "application/yaml": _DOCUMENT}
_VERSION = {
    "description": "the version of this plant model",
    "schema": {"type": "integer", "minimum": 0, "examples": [3]},
}


@router.put(
    "/v1/plant",
    openapi_extra={"requestBody": {"required": True, "content": _CONTENT}},
    responses=described("plant_invalid", "body_too_slow", "body_too_large", "media_type", "busy"),
)
async def put_plant(service: ServiceOf, request: Request) -> DeclaredAnswer:
    """Declare the plant model whole, as JSON or YAML; it is checked whole, and one that is not valid changes nothing.

    Every version is kept. The same model again changes nothing. Figures of the past change from the dates on that changed shifts
    and standards are valid from, and of a line that a cell joins or leaves from the cell's `since`, without one from the
    beginning: `restates` tells it, and their revision rises.
    """
    kind = media_type(request, (JSON, *YAML_TYPES))
    body = await read_body(request, MAX_PLANT_BYTES)
    service.check_writes()
    turns: Turns = request.app.state.turns["plant"]
    async with turns.turn():  # a large one takes seconds
        document = await asyncio.to_thread(_canonical, kind, body)
    declared = await service.plants.declare(service.store, document, service.now_us())
    await noted(request, PLANT, f"version {declared.version}")
    restates = [
        RestatedAnswer(unit=unit, start=None if from_us == BEGINNING_US else rfc3339(from_us))
        for unit, from_us in declared.restates
    ]
    return DeclaredAnswer(version=declared.version, applied=rfc3339(declared.applied_us), restates=restates)


def _canonical(kind: str, body: bytes) -> str:
    if kind != JSON:
        return canonical_json(read_yaml(body, "document"))
    try:
        return canonical_json(read_json(body))
    except PlantInvalid as error:
        raise PlantInvalid([(place, _with_kind(fault)) for place, fault in error.errors]) from None


def _with_kind(fault: str) -> str:
    """Return a fault of JSON with what to do where it was YAML: without a content type it is read as JSON, too."""
    return f"{fault}; it was read as JSON: {_FOR_YAML}" if fault.startswith(NOT_JSON) else fault


def _as_yaml(document: str) -> str:
    stream = StringIO()
    YAML(typ="safe", pure=True).dump(json.loads(document), stream)
    return stream.getvalue()


class YamlText:
    """The last version in YAML, kept once somebody has asked for it: to write a large one takes seconds."""

    def __init__(self) -> None:
        self._version = -1
        self._text = ""

    async def of(self, request: Request, version: int, document: str, last: int) -> str:
        """Return a version's document in YAML, written in turn where it is not kept; raise ApiError `busy` or ClientDisconnect."""
        if version == self._version:
            return self._text
        turns: Turns = request.app.state.turns["plant"]
        async with turns.turn():
            if await request.is_disconnected():
                raise ClientDisconnect
            if version == self._version:
                return self._text
            text = await asyncio.to_thread(_as_yaml, document)
        if version == last:
            self._version, self._text = version, text
        return text


def install(app: FastAPI) -> None:
    """Give an application what keeps the plant model in YAML."""
    app.state.plant_yaml = YamlText()


def _asks_for_yaml(accept: str) -> bool:
    """Tell whether YAML comes before JSON in an Accept header; weights are not looked at."""
    named = [part.partition(";")[0].strip().lower() for part in accept.split(",")]
    known = [name for name in named if name in (JSON, *YAML_TYPES)]
    return bool(known) and known[0] != JSON


@router.get(
    "/v1/plant",
    response_class=Response,
    responses={
        **described("version_unknown", "busy"),
        200: {"description": "The plant model", "content": _CONTENT, "headers": {"Zoneledger-Plant-Version": _VERSION}},
    },
)
async def get_plant(
    service: ServiceOf,
    request: Request,
    parameters: Annotated[VersionParameters, Query()],
) -> Response:
    """The plant model as it was declared; YAML where the Accept header asks for application/yaml.

    The header `Zoneledger-Plant-Version` tells its version, 0 before any was declared.
    """
    version = parameters.version
    async with service.store.reading() as reading:
        present = await service.plants.present(reading)
        found = present if version in (None, present.version) else await reading.plant(version)
    if found is None:
        detail = f"There is no version {version} of the plant model; the last one is {present.version}."
        raise ApiError("version_unknown", detail)
    headers = {"Zoneledger-Plant-Version": str(found.version), "Vary": "Accept"}
    if _asks_for_yaml(request.headers.get("accept", "")):
        kept: YamlText = request.app.state.plant_yaml
        text = await kept.of(request, found.version, found.document, present.version)
        return Response(text, headers=headers, media_type="application/yaml")
    return Response(found.document, headers=headers, media_type="application/json")
