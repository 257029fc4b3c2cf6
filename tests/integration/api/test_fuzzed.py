"""The whole API under generated requests, right and wrong ones: no failure, and every answer is as the document says."""

import asyncio
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st
from schemathesis.checks import CHECKS
from schemathesis.core.result import Ok
from schemathesis.generation import GenerationMode

from tests.integration.api.plant import CELL, NOW_US, OTHER, PLANT, morning
from tests.integration.api.server import served
from zoneledger.api.openapi import build_api, document_of
from zoneledger.asgi import create_app
from zoneledger.bootstrap import build_service
from zoneledger.storage.schema import migrate

#: A few, as each is a request with all its checks; ZONELEDGER_EXAMPLES asks for more.
EXAMPLES = int(os.environ.get("ZONELEDGER_EXAMPLES", "12"))
#: Making wrong plants takes long: their schema is large.
PLANT_EXAMPLES = 5
#: A window's parameters exclude each other and units are known or not: the document cannot say that, so right requests may be refused.
NOT_HELD = ("positive_data_acceptance",)

SCHEMA = schemathesis.openapi.from_dict(document_of(build_api()))
#: Its answer never ends.
ENDLESS = "GET /v1/live"
OPERATIONS = {
    each.label: each
    for each in (found.ok() for found in SCHEMA.get_all_operations() if isinstance(found, Ok))
    if each.label != ENDLESS
}
#: A call that takes nothing cannot be asked wrongly.
ASKED = [
    (label, mode)
    for label, operation in OPERATIONS.items()
    for mode in GenerationMode
    if mode is GenerationMode.POSITIVE or operation.body or operation.query or operation.path_parameters
]

#: What somebody may say of the time that is told of.
SAID = {
    "unit": CELL,
    "start": "2026-03-02T06:00:00Z",
    "end": "2026-03-02T07:00:00Z",
    "reason": "crane",
    "by": "shift-lead",
}
#: An acceptance run of that time.
RUN = {
    "name": "morning",
    "unit": CELL,
    "start": "2026-03-02T06:00:00Z",
    "end": "2026-03-02T08:00:00Z",
    "confidence": 0.9,
    "targets": {"oee": 0.5},
}
WITH_BODY: dict[str, dict[str, Any]] = {"/v1/reasons": SAID, "/v1/proofs": RUN}
UNITS = st.sampled_from(["bench", "bench/line-1", CELL, OTHER, f"{CELL}/1", None])
WINDOWS = st.sampled_from(
    [
        {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T08:30:00.000001Z"},
        {"shift": "2026-03-02/early"},
        {"day": "2026-03-02"},
        {"day": "2027-03-02"},
        None,
    ]
)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server that knows the plant and what its cells told, refused and missing messages among it."""
    url = f"sqlite:///{Path(tmp_path_factory.mktemp('fuzzed')) / 'zoneledger.db'}"
    asyncio.run(migrate(url))
    with served(lambda: create_app(build_service(url, clock=lambda: NOW_US))) as address:
        httpx.put(f"{address}/v1/plant", json=PLANT)
        told = morning()
        for cell, messages in (
            (CELL, [*told, 42, "x"]),
            (OTHER, [*told[:20], *told[25:]]),
            ("bench/line-1/cell-9", told[:3]),
        ):
            assert httpx.post(f"{address}/v1/messages", json={"cell": cell, "messages": messages}).status_code == 200
        assert httpx.post(f"{address}/v1/reasons", json=SAID).json()["id"] == 1
        assert httpx.post(f"{address}/v1/proofs", json=RUN).json()["id"] == 1
        assert httpx.post(f"{address}/v1/proofs/1/freeze").status_code == 200
        yield address


@pytest.fixture
def address(server: str) -> str:
    """The address of the server, whose plant may have been another one meanwhile."""
    assert httpx.put(f"{server}/v1/plant", json=PLANT).status_code == 200
    return server


def _aim(case: Any, unit: str | None, window: dict[str, str] | None) -> None:
    """Let a generated request be about units and times of which there is something to tell, and by who may say it."""
    for name in (case.path_parameters or {}).keys() - {"table"}:
        aimed = 1 if name == "id" and unit else unit
        case.path_parameters[name] = aimed or case.path_parameters[name]
    said = next((body for path, body in WITH_BODY.items() if case.path.startswith(path)), None)
    if unit and said and isinstance(case.body, dict):
        case.body = {**case.body, **{name: said[name] for name in case.body.keys() & said.keys()}}
    takes_one = any(one.name == "shift" for one in case.operation.query)
    if window is not None and takes_one and not said:
        kept = {name: value for name, value in (case.query or {}).items() if name in ("by", "format")}
        asked = {"unit": unit} if unit and case.path.startswith("/v1/tables") else {}
        case.query = {**kept, **asked, **window}


@pytest.mark.parametrize(("label", "mode"), ASKED, ids=str)
def test_every_answer_is_as_the_document_says(address: str, label: str, mode: GenerationMode) -> None:
    excluded = CHECKS.get_by_names(list(NOT_HELD))
    statuses = set()

    @seed(20261125)
    @settings(
        max_examples=PLANT_EXAMPLES if label.startswith("PUT ") else EXAMPLES,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=OPERATIONS[label].as_strategy(generation_mode=mode), unit=UNITS, window=WINDOWS)
    def hold(case: Any, unit: str | None, window: dict[str, str] | None) -> None:
        if mode is GenerationMode.POSITIVE:
            _aim(case, unit, window)
        statuses.add(case.call_and_validate(base_url=address, excluded_checks=excluded).status_code)

    hold()
    assert mode is GenerationMode.NEGATIVE or statuses & {200, 201}
