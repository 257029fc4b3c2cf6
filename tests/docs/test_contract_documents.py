"""The contract's documents for programs: as the code makes them, whole, and of one mind with the code about every example."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
from ruamel.yaml import YAML

from tests.docs.contract_examples import CELL, CONTRACT, EXAMPLES, INVALID, NOW, VALID, ZONES, Refused
from tests.docs.pages import blocks, codes, read
from zoneledger.api.contract_documents import ASYNCAPI_FILE, SCHEMA_FILE, asyncapi_document, asyncapi_text, schema_text
from zoneledger.application.accept import Sorted, sort_delivery
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.core.contract import OTHER, TYPES, message_schema
from zoneledger.core.decoding import Reason
from zoneledger.core.validation import KNOWN_FIELDS, parse_instant
from zoneledger_mqtt.topics import Topics

SCHEMA = message_schema()
MESSAGE = jsonschema.Draft202012Validator(SCHEMA)
PAYLOAD = MESSAGE.evolve(schema={"$ref": "#/$defs/payload", "$defs": SCHEMA["$defs"]})
LINK = MESSAGE.evolve(schema={"$ref": "#/$defs/link", "$defs": SCHEMA["$defs"]})
#: Reasons that no file of this size or of this kind can show.
NOT_SHOWN = {"too_large", "internal_error", "not_kept", "contradicts"}


def test_the_documents_that_are_kept_are_current() -> None:
    hint = "run: .venv/bin/python -m zoneledger.api.contract_documents docs/contract"
    assert (CONTRACT / SCHEMA_FILE).read_text(encoding="utf-8") == schema_text(), hint
    assert (CONTRACT / ASYNCAPI_FILE).read_text(encoding="utf-8") == asyncapi_text(), hint


def test_the_schema_is_one_and_has_the_types_and_fields_that_are_read() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert TYPES.keys() == KNOWN_FIELDS.keys()
    for kind, fields in KNOWN_FIELDS.items():
        assert SCHEMA["$defs"][kind]["properties"].keys() == fields, kind


def test_every_reference_leads_somewhere() -> None:
    for document in (SCHEMA, asyncapi_document()):
        for reference in _references(document):
            found: Any = document
            for step in reference.removeprefix("#/").split("/"):
                found = found[step]
            assert found, reference


def _references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for entry in value.values():
            yield from _references(entry)
    if isinstance(value, list):
        for entry in value:
            yield from _references(entry)


def _taken(payload: bytes, cell: str = CELL) -> list[str]:
    """Return the reasons for which messages of a payload are refused before they are stored."""
    group, receipt = Sorted(parse_instant("now", NOW)), Receipt()
    sort_delivery(group, Delivery(cell, payload, "example"), receipt, {CELL: ZONES}.get)
    return [one.reason for one in receipt.refused]


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_an_example_that_is_valid_is_taken_and_keeps_the_schema(path: Path) -> None:
    assert _taken(path.read_bytes()) == []
    value = json.loads(path.read_bytes())
    PAYLOAD.validate(value)
    for message in value if isinstance(value, list) else [value]:
        MESSAGE.validate(message)


@pytest.mark.parametrize("example", INVALID, ids=lambda example: example.path.stem)
def test_an_example_that_is_not_is_refused_for_its_reason_and_by_the_schema_where_it_can_tell(example: Refused) -> None:
    refused = _taken(example.path.read_bytes(), example.cell)
    assert set(refused) == ({example.reason} if example.reason != "contradicts" else set())
    try:
        value = json.loads(example.path.read_bytes())
    except ValueError:
        assert example.reason in ("empty", "not_json", "not_utf8")
        return
    assert PAYLOAD.is_valid(value) is not example.schema_refuses


def test_every_example_is_in_the_index_and_every_reason_has_one() -> None:
    assert {one.path for one in INVALID} == set((EXAMPLES / "invalid").glob("*.json"))
    assert {one.reason for one in INVALID} | NOT_SHOWN == set(get_args(Reason))
    kinds = [json.loads(path.read_bytes()) for path in VALID]
    assert {one["type"] for one in kinds if isinstance(one, dict)} > KNOWN_FIELDS.keys()


def test_the_messages_and_the_links_on_the_page_keep_the_schema() -> None:
    found = blocks(read("docs/contract.md"))
    messages = [json.loads(block.text) for block in found if block.words[1:] == ("message",)]
    links = [json.loads(block.text) for block in found if block.words[1:] == ("link",)]
    assert messages
    assert links
    for message in messages:
        MESSAGE.validate(message)
    for link in links:
        LINK.validate(link)
    assert not LINK.is_valid({"v": 1, "link": "away"})


def test_what_no_schema_can_tell_is_named_on_the_page() -> None:
    named = set(codes(read("docs/contract.md")))
    assert {one.reason for one in INVALID if not one.schema_refuses} <= named


def _asyncapi() -> dict[str, Any]:
    found: dict[str, Any] = YAML(typ="safe").load((CONTRACT / ASYNCAPI_FILE).read_text(encoding="utf-8"))
    return found


def test_the_asyncapi_document_has_what_version_3_asks_for() -> None:
    document = _asyncapi()
    assert document == asyncapi_document()
    assert document["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= document["info"].keys()
    assert document.keys() <= {
        "asyncapi",
        "id",
        "info",
        "servers",
        "defaultContentType",
        "channels",
        "operations",
        "components",
    }
    assert all({"host", "protocol"} <= server.keys() for server in document["servers"].values())
    for name, channel in document["channels"].items():
        assert channel.keys() <= {"address", "title", "description", "parameters", "messages", "bindings", "tags"}, name
        named = {part[1:-1] for part in channel["address"].split("/") if part.startswith("{")}
        assert channel.get("parameters", {}).keys() == named, name
        for parameter in channel.get("parameters", {}).values():
            assert parameter.keys() <= {"description", "examples", "enum", "default", "location"}
    for name, message in document["components"]["messages"].items():
        assert {"name", "contentType", "payload"} <= message.keys(), name


def test_every_operation_of_the_asyncapi_document_is_on_a_channel_and_names_messages_of_it() -> None:
    document = _asyncapi()
    for name, operation in document["operations"].items():
        assert operation["action"] in ("send", "receive"), name
        channel = operation["channel"]["$ref"].removeprefix("#/channels/")
        told = {one["$ref"].removeprefix(f"#/channels/{channel}/messages/") for one in operation["messages"]}
        assert told <= document["channels"][channel]["messages"].keys(), name
        mqtt = operation["bindings"]["mqtt"]
        assert mqtt.keys() <= {"qos", "retain", "messageExpiryInterval", "bindingVersion"}, name
        assert mqtt["qos"] in (0, 1, 2)
        assert isinstance(mqtt["retain"], bool)


def test_the_controllers_channels_are_the_topics_that_the_service_listens_to() -> None:
    document, topics = _asyncapi(), Topics()
    cell = "{site}/{line}/{cell}"
    addresses = {name: document["channels"][name]["address"] for name in ("events", "link")}
    assert addresses == {"events": topics.events(cell), "link": topics.link(cell)}
    events, link = document["operations"]["receiveEvents"], document["operations"]["receiveLink"]
    assert [one["action"] for one in (events, link)] == ["receive", "receive"]
    assert [(one["bindings"]["mqtt"]["qos"], one["bindings"]["mqtt"]["retain"]) for one in (events, link)] == [
        (1, False),
        (1, True),
    ]
    assert document["channels"]["events"]["messages"].keys() == {*KNOWN_FIELDS, OTHER, "batch"}


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_the_schemas_of_the_asyncapi_document_are_those_of_the_contract(path: Path) -> None:
    components = {"components": _asyncapi()["components"]}
    value = json.loads(path.read_bytes())
    name = "batch" if isinstance(value, list) else value["type"] if value["type"] in KNOWN_FIELDS else OTHER
    schema = {"$ref": f"#/components/schemas/{name}", **components}
    jsonschema.Draft202012Validator(schema).validate(value)
    jsonschema.Draft7Validator({"allOf": [{"$ref": f"#/components/schemas/{name}"}], **components}).validate(value)
