"""The topics and payloads that the service publishes: apart from the controllers', and valid whatever an alarm is called."""

import json
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from zoneledger.api.contract_documents import asyncapi_document
from zoneledger.application.shift_figures import UnitFigures
from zoneledger.application.units import NEVER_KNOWN, Present
from zoneledger.application.windows import Window
from zoneledger.core.figures import Account, figures_of
from zoneledger_mqtt.announcements import DOWN, MAX_BYTES, UP, OwnTopics, shift_payload, state_payload

TOPICS = OwnTopics("plant/out", "cells/v1")
ZONE = "harbour/wing-1/cell-1/1"


@pytest.mark.parametrize(
    ("root", "controllers"), [("cells/v1", "cells/v1"), ("cells", "cells/v1"), ("cells/v1/out", "cells/v1")]
)
def test_a_root_over_or_under_that_of_the_controllers_is_refused(root: str, controllers: str) -> None:
    with pytest.raises(ValueError, match="apart from the controllers' root 'cells/v1'"):
        OwnTopics(root, controllers)


@pytest.mark.parametrize("root", ["", "a//b", "a/+", "#", "$SYS/x", "/a", "a\0"])
def test_what_is_no_root_is_refused(root: str) -> None:
    with pytest.raises(ValueError, match="without wildcards"):
        OwnTopics(root, "cells/v1")


def test_roots_that_only_begin_alike_lie_apart() -> None:
    assert OwnTopics("cells/v10", "cells/v1").link == "cells/v10/link"


def test_each_level_has_topics_of_its_own() -> None:
    assert TOPICS.state(ZONE) == "plant/out/harbour/wing-1/cell-1/1/state"
    assert TOPICS.shift("harbour/wing-1") == "plant/out/harbour/wing-1/shift"
    zones = {TOPICS.state(f"harbour/wing-1/{cell}/{zone}") for cell in ("state", "c") for zone in ("state", "shift")}
    cells = {topic("harbour/wing-1/state") for topic in (TOPICS.state, TOPICS.shift)}
    assert len(zones | cells) == 6


def test_a_state_is_told_as_the_api_tells_it() -> None:
    told = json.loads(state_payload(ZONE, Present("fault", "clamp-force", 1_764_050_400_500_000)))
    since = "2025-11-25T06:00:00.500000Z"
    assert told == {"v": 1, "unit": ZONE, "state": "fault", "reason": "clamp-force", "since": since}
    assert json.loads(state_payload(ZONE, NEVER_KNOWN))["since"] is None


def test_a_hostile_alarm_code_stays_a_text_in_a_short_payload() -> None:
    code = '"},{"v":9,\u2028\U0001f4a5' + "\u00e4" * 100
    payload = state_payload(ZONE, Present("fault", code, 0))
    assert payload.isascii()
    assert len(payload) <= MAX_BYTES
    assert json.loads(payload)["reason"] == code


def test_only_what_says_itself_that_it_is_ours_counts_as_ours() -> None:
    payload = state_payload(ZONE, NEVER_KNOWN)
    assert TOPICS.is_ours(TOPICS.state(ZONE), payload)
    assert TOPICS.is_ours(TOPICS.shift("harbour/wing-1"), shift_payload("harbour/wing-1", None, None))
    strangers = [
        (TOPICS.state("harbour/wing-1/cell-1"), payload),
        (TOPICS.state(ZONE), b"on"),
        (TOPICS.state(ZONE), b'{"v":1}'),
        (TOPICS.state(ZONE), b"[" * 4000),
        (TOPICS.state(ZONE), b"\xff"),
        (TOPICS.link, UP),
        (TOPICS.link, DOWN),
        ("cells/v1/harbour/wing-1/cell-1/events", payload),
        ("plant/out/state", payload),
    ]
    assert [topic for topic, said in strangers if TOPICS.is_ours(topic, said)] == []


def _told_of(account: Account) -> UnitFigures:
    return UnitFigures(ZONE, Window(0, 10**9, "1970-01-01/early"), 10**9, account, figures_of(account), 1)


@pytest.mark.parametrize(
    ("schema", "payload"),
    [
        ("published-state", state_payload(ZONE, NEVER_KNOWN)),
        ("published-state", state_payload(ZONE, Present("running", "process", 0))),
        ("published-shift", shift_payload(ZONE, _told_of(Account()), None)),
        (
            "published-shift",
            shift_payload(ZONE, None, _told_of(Account(planned_us=10**9, running_us=10**8, made=3, good=2))),
        ),
        ("published-serviceLink", UP),
        ("published-serviceLink", DOWN),
    ],
)
def test_payloads_are_as_the_document_on_them_says(schema: str, payload: bytes) -> None:
    document = asyncapi_document()
    validator = Draft202012Validator(document | {"$ref": f"#/components/schemas/{schema}"})
    told = json.loads(payload)
    assert [error.message for error in validator.iter_errors(told)] == []

    def fields(of: dict[str, Any]) -> set[str]:
        return set(of["properties"])

    schemas = document["components"]["schemas"]
    assert set(told) == fields(schemas[schema])
    for shift in filter(None, (told.get("present"), told.get("last"))):
        assert set(shift) == fields(schemas["published-figures"])


def test_channels_of_the_document_are_the_topics() -> None:
    addresses = {channel["address"] for channel in asyncapi_document()["channels"].values()}
    topics = OwnTopics("zoneledger/v1", "cells/v1")
    zone, cell, line = "{site}/{line}/{cell}/{zone}", "{site}/{line}/{cell}", "{site}/{line}"
    own = {topics.state(zone), topics.state(cell), topics.link, *map(topics.shift, (line, cell, zone))}
    assert own == {address for address in addresses if address.startswith("zoneledger/v1/")}
