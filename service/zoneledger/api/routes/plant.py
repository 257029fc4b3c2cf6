"""GET and PUT /v1/plant: the plant model, declared whole."""

import asyncio
import json
from io import StringIO
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response
from pydantic import BaseModel, Field
from ruamel.yaml import YAML

from zoneledger.api.access import ServiceOf
from zoneledger.api.bodies import read_body
from zoneledger.api.problems import ApiError, described
from zoneledger.api.times import Time, rfc3339
from zoneledger.plant_document import EXAMPLE, PlantDocument, canonical_json, read_json, read_yaml

router = APIRouter(tags=["plant"])

MAX_PLANT_BYTES = 1024 * 1024
YAML_TYPES = ("application/yaml", "application/x-yaml", "text/yaml")


class DeclaredAnswer(BaseModel):
    """The version that a declared plant model has; the same model again keeps its version."""

    version: int = Field(examples=[3])
    applied: Time


_SCHEMA = PlantDocument.model_json_schema(ref_template="#/components/schemas/{model}")
DEFINITIONS: dict[str, Any] = _SCHEMA.pop("$defs", {}) | {"PlantDocument": _SCHEMA}
_DOCUMENT = {"schema": {"$ref": "#/components/schemas/PlantDocument"}, "example": EXAMPLE}
_CONTENT = {"application/json": _DOCUMENT, "application/yaml": {"schema": {"type": "string"}}}


def _media_type(request: Request) -> str:
    return request.headers.get("content-type", "application/json").partition(";")[0].strip().lower()


@router.put(
    "/v1/plant",
    openapi_extra={"requestBody": {"required": True, "content": _CONTENT}},
    responses=described("plant_invalid", "body_too_large", "media_type"),
)
async def put_plant(service: ServiceOf, request: Request) -> DeclaredAnswer:
    """Declare the plant model whole, as JSON or YAML; it is checked whole, and one that is not valid changes nothing.

    Every version is kept. The same model again changes nothing. Figures of the past change only from the dates on that the
    changed shifts and standards are valid from; their revision rises.
    """
    kind = _media_type(request)
    if kind != "application/json" and kind not in YAML_TYPES:
        raise ApiError("media_type", "The plant model should be application/json or application/yaml.")
    body = await read_body(request, MAX_PLANT_BYTES)
    document = await asyncio.to_thread(read_json if kind == "application/json" else read_yaml, body)
    declared = await service.plants.declare(service.store, canonical_json(document), service.now_us())
    return DeclaredAnswer(version=declared.version, applied=rfc3339(declared.applied_us))


def _as_yaml(document: str) -> str:
    stream = StringIO()
    YAML(typ="safe", pure=True).dump(json.loads(document), stream)
    return stream.getvalue()


@router.get(
    "/v1/plant",
    response_class=Response,
    responses={**described("version_unknown"), 200: {"description": "The plant model", "content": _CONTENT}},
)
async def get_plant(
    service: ServiceOf,
    request: Request,
    version: Annotated[
        int | None, Query(ge=0, le=2**31 - 1, description="A version, the present one unless told")
    ] = None,
) -> Response:
    """The plant model as it was declared; YAML where the Accept header asks for application/yaml.

    The header `Zoneledger-Plant-Version` tells its version, 0 before any was declared.
    """
    async with service.store.reading() as reading:
        found = await service.plants.version(reading, version)
    if found is None:
        raise ApiError("version_unknown", f"There is no version {version} of the plant model.")
    headers = {"Zoneledger-Plant-Version": str(found.version)}
    if "yaml" in request.headers.get("accept", ""):
        return Response(_as_yaml(found.document), headers=headers, media_type="application/yaml")
    return Response(found.document, headers=headers, media_type="application/json")
