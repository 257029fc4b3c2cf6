"""The message contract for programs: JSON Schema and AsyncAPI 3.0; `python -m zoneledger.api.contract_documents docs/contract`."""

import io
import json
import sys
from functools import lru_cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Response
from ruamel.yaml import YAML

from zoneledger.api import published_documents
from zoneledger.api.guard import Guarded
from zoneledger.api.published_documents import STEP, bindings
from zoneledger.core.contract import OTHER, TITLE, TYPES, definitions, message_schema
from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES

Document = dict[str, Any]

router = APIRouter(include_in_schema=False, route_class=Guarded)

SCHEMA_FILE, ASYNCAPI_FILE = "message.schema.json", "asyncapi.yaml"
ROOT = "cells/v1"


def _moved(schema: Any) -> Any:
    """Return a schema whose references lead to where AsyncAPI keeps schemas."""
    if isinstance(schema, dict):
        return {name: _moved(value) for name, value in schema.items()}
    if isinstance(schema, list):
        return [_moved(value) for value in schema]
    return schema.replace("#/$defs/", "#/components/schemas/") if isinstance(schema, str) else schema


def _message(name: str, schema: str, summary: str) -> Document:
    return {
        "name": name,
        "title": name,
        "summary": summary,
        "contentType": "application/json",
        "payload": {"$ref": f"#/components/schemas/{schema}"},
    }


def _messages() -> Document:
    """Return what is published, by name: a message of each type, several at once, and the link."""
    found = {name: _message(name, name, description) for name, (*_, description) in TYPES.items()}
    found[OTHER] = _message(OTHER, OTHER, "An event of a type that the contract does not have")
    found["batch"] = _message("batch", "batch", f"1 to {MAX_MESSAGES:,} messages at once, in any order")
    found["link"] = _message("link", "link", "Whether the controller is connected")
    return found


def _parameters() -> Document:
    names = {"site": "harbour", "line": "wing-1", "cell": "cell-2"}
    return {name: {"description": f"the {name}: {STEP}", "examples": [example]} for name, example in names.items()}


def _channel(kind: str, title: str, description: str, messages: list[str]) -> Document:
    return {
        "address": f"{ROOT}/{{site}}/{{line}}/{{cell}}/{kind}",
        "title": title,
        "description": description,
        "parameters": _parameters(),
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in messages},
    }


def _controllers_channels() -> Document:
    kinds = [*TYPES, OTHER, "batch"]
    events = (
        f"Messages of one cell's controller, QoS 1, not retained; at most {MAX_PAYLOAD_BYTES // 1024} KiB at once. The root "
        f"{ROOT} is a setting of the service."
    )
    link = "Whether the controller is connected, QoS 1, retained, and the controller's last will; an empty payload takes it back."
    return {
        "events": _channel("events", "What happens in a cell", events, kinds),
        "link": _channel("link", "Whether a cell's controller is connected", link, ["link"]),
    }


def _receiving(channel: str, summary: str, messages: list[str], *, retain: bool) -> Document:
    return {
        "action": "receive",
        "channel": {"$ref": f"#/channels/{channel}"},
        "summary": summary,
        "messages": [{"$ref": f"#/channels/{channel}/messages/{name}"} for name in messages],
        "bindings": bindings(retain=retain),
    }


def _controllers_operations() -> Document:
    kinds = [*TYPES, OTHER, "batch"]
    return {
        "receiveEvents": _receiving("events", "The service takes in what controllers send", kinds, retain=False),
        "receiveLink": _receiving("link", "The service learns who is connected", ["link"], retain=True),
    }


def _schemas() -> Document:
    found = definitions()
    payload = found.pop("payload")
    return found | {"batch": payload["oneOf"][1] | {"description": "Several messages at once"}}


def asyncapi_document() -> Document:
    """Return the AsyncAPI 3.0 document: the service as it receives what controllers publish, and as it publishes itself."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": TITLE,
            "version": "1",
            "description": "What cell controllers publish, and Zoneledger receives; and what it publishes itself, on topics of its "
            "own. The service never publishes on a controller's topics, and never commands a machine. docs/contract.md has the rules "
            "that no schema can say.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "broker": {
                "host": "broker.example:8883",
                "protocol": "secure-mqtt",
                "description": "The plant's MQTT broker; each controller has an account that may publish on its two topics only",
            }
        },
        "channels": _controllers_channels() | published_documents.channels(),
        "operations": _controllers_operations() | published_documents.operations(),
        "components": {
            "messages": _messages() | published_documents.messages(),
            "schemas": _moved(_schemas()) | published_documents.schemas(),
        },
    }


@lru_cache(maxsize=1)
def schema_text() -> str:
    """Return the text of the JSON Schema as it is kept and served."""
    return json.dumps(message_schema(), indent=2) + "\n"


@lru_cache(maxsize=1)
def _asyncapi_json() -> str:
    return json.dumps(asyncapi_document(), indent=2) + "\n"


def asyncapi_text() -> str:
    """Return the text of the AsyncAPI document as it is kept."""
    yaml, text = YAML(), io.StringIO()
    yaml.width = 120
    yaml.representer.ignore_aliases = lambda _: True
    yaml.dump(asyncapi_document(), text)
    return text.getvalue()


@router.get(f"/contract/{SCHEMA_FILE}")
async def get_schema() -> Response:
    """Serve the JSON Schema, made once."""
    return Response(schema_text(), media_type="application/schema+json")


@router.get("/contract/asyncapi.json")
async def get_asyncapi() -> Response:
    """Serve the AsyncAPI document, made once."""
    return Response(_asyncapi_json(), media_type="application/json")


def write(directory: Path) -> None:
    """Write both documents into a directory."""
    (directory / SCHEMA_FILE).write_text(schema_text(), encoding="utf-8")
    (directory / ASYNCAPI_FILE).write_text(asyncapi_text(), encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1]))
