"""What is done by hand about personal data changes no figure, and the cautions are wherever they are said to be."""

import re

import httpx
import pytest
from sqlalchemy import text

from tests.docs.pages import ROOT, blocks, read, rows, section
from tests.integration.api.conftest import api, app, service, told  # noqa: F401
from tests.integration.api.plant import BEGIN, CELL, later
from zoneledger.api.contract_documents import asyncapi_document
from zoneledger.application.audit_log import KEEP_DAYS
from zoneledger.application.keys import bearer_of_key, create_key
from zoneledger.bootstrap import Service
from zoneledger.clock import now_us
from zoneledger.core.callers import Scope
from zoneledger.core.decoding import MAX_PAYLOAD_BYTES
from zoneledger.storage.engines import open_engines

PAGE = read("docs/personal-data.md")
[BY_HAND] = [block.text for block in blocks(PAGE) if block.words == ("sql", "by-hand")]
PAGES = ROOT / "service" / "zoneledger" / "api" / "web"
NAME = "A. Worker"


async def _all_told(client: httpx.AsyncClient) -> list[object]:
    """Return all figures of the morning, and what people said without their notes."""
    window = {"start": BEGIN.isoformat().replace("+00:00", "Z"), "end": later(480)}
    answers = [await client.get(f"/v1/{what}/{CELL}", params=window) for what in ("kpi", "losses", "timeline")]
    said = (await client.get(f"/v1/reasons/{CELL}")).json()["entries"]
    return [*(answer.json() for answer in answers), [{**entry, "note": None} for entry in said]]


async def test_what_is_taken_out_by_hand_is_gone_and_changes_no_figure(
    told: httpx.AsyncClient,  # noqa: F811
    service: Service,  # noqa: F811
    database_url: str,
) -> None:
    said = {"unit": CELL, "start": later(30), "end": later(60), "reason": "sensor", "by": "shift-lead", "note": NAME}
    entry = (await told.post("/v1/reasons", json=said)).json()["id"]
    bad = {"v": 1, "boot": 1, "seq": 99, "at": later(1), "type": "wait", "who": NAME}
    assert len((await told.post("/v1/messages", json={"cell": CELL, "messages": [bad]})).json()["refused"]) == 1
    refused = (await told.get("/v1/refused")).json()["refused"][0]["id"]
    row, _ = await create_key(service.store, bearer_of_key(NAME, [Scope.READ], []), 1, now_us(), "", "")
    before = await _all_told(told)
    assert NAME in (await told.get(f"/v1/reasons/{CELL}")).text
    assert NAME in (await told.get("/v1/refused")).text

    by_hand = BY_HAND.replace(
        "given_reasons SET note = NULL WHERE id = 17", f"given_reasons SET note = NULL WHERE id = {entry}"
    )
    by_hand = by_hand.replace("refused WHERE id = 17", f"refused WHERE id = {refused}").replace("3f9a1c0e77b2", row.id)
    engines = open_engines(database_url)
    async with engines.write.begin() as connection:
        for statement in filter(str.strip, by_hand.split(";")):
            assert (await connection.execute(text(statement))).rowcount == 1, statement
    await engines.dispose()

    assert NAME not in (await told.get(f"/v1/reasons/{CELL}")).text
    assert (await told.get("/v1/refused")).json()["refused"] == []
    async with service.store.reading() as reading:
        assert [one.name for one in await reading.keys("key")] == ["former"]
    assert await _all_told(told) == before


def test_how_long_and_how_much_is_kept_is_what_the_program_keeps() -> None:
    kept = {row[0]: row for row in rows(section(PAGE, "Where it can get in"))}
    assert kept["the audit log"][3] == f"{KEEP_DAYS} days"
    assert f"up to {MAX_PAYLOAD_BYTES // 1024} KiB" in kept["refused messages"][1]


def test_pages_keep_in_a_browser_what_is_told_and_nothing_else() -> None:
    kept = {
        name.name
        for name in PAGES.glob("*.js")
        if re.search(r"localStorage|document\.cookie|indexedDB", name.read_text())
    }
    assert kept == {"reasons.js", "shade.js"}, "the role that was used last, and the colours"


@pytest.mark.parametrize("page", sorted(path.name for path in PAGES.glob("*.html")))
def test_every_page_says_at_its_foot_that_it_informs_and_nothing_else(page: str) -> None:
    [foot] = re.findall(r"<footer>(.*?)</footer>", (PAGES / page).read_text(encoding="utf-8"))
    assert "It informs, and nothing else" in foot
    assert "not a zone that is safe to enter" in foot


def test_the_documents_for_programs_and_the_first_pages_say_so() -> None:
    documents = [read("docs/openapi.json"), str(asyncapi_document()["info"])]
    for told_to in (*documents, read("README.md"), read("docs/contract.md"), read("docs/operations.md")):
        assert re.search(
            r"never commands a machine|never sends a command to a machine|sends nothing to a machine", told_to
        )
