"""The page on the message contract says what the program takes and what it refuses."""

import ast
import json
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, get_args

import pytest

from tests.docs.pages import ROOT, Block, blocks, codes, read, rows, section
from zoneledger.application.accept import AHEAD_US
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.links import read_link
from zoneledger.application.record import record_group
from zoneledger.core import messages as m
from zoneledger.core import validation
from zoneledger.core.booking import Limits
from zoneledger.core.decoding import MAX_DEPTH, MAX_MESSAGES, MAX_PAYLOAD_BYTES, Reason, Refusal
from zoneledger.core.validation import KNOWN_FIELDS, parse_instant, read_message
from zoneledger.storage.engines import open_engines
from zoneledger.storage.schema import migrate
from zoneledger.storage.store import SqlStore

PAGE = read("docs/contract.md")
BLOCKS = blocks(PAGE)
EXAMPLES: list[dict[str, Any]] = [json.loads(block.text) for block in BLOCKS if block.words[1:] == ("message",)]
REFUSED = [block for block in BLOCKS if block.option("refused")]
CELL = "harbour/wing-1/cell-2"
NOW_US = parse_instant("at", "2026-11-25T12:00:00Z")
COMMON = {"v", "boot", "seq", "at", "type"}

#: What no page can show in a line, made here.
MADE = {
    "empty": b"",
    "too_large": b"[" + b" " * MAX_PAYLOAD_BYTES + b"]",
    "not_utf8": b'{"v": 1, "type": "\xff"}',
    "too_many": json.dumps([0] * (MAX_MESSAGES + 1)).encode(),
}
#: Not of the message itself: a fault of the program, and what was forgotten before.
NOT_SHOWN = {"internal_error", "not_kept"}

CHOICES = {
    ("activity", "activity"): m.ACTIVITIES,
    ("activity", "outcome"): m.OUTCOMES,
    ("fastener", "operation"): m.OPERATIONS,
    ("fastener", "result"): m.RESULTS,
    ("alarm", "severity"): m.SEVERITIES,
    ("wait", "for"): m.WAITS,
    ("verdict", "result"): m.RESULTS,
}


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[SqlStore]:
    """A real store in a file of its own."""
    url = f"sqlite:///{tmp_path / 'pages.db'}"
    await migrate(url)
    store = SqlStore(open_engines(url))
    yield store
    await store.close()


async def _receipt(store: SqlStore, payload: bytes, cell: str = CELL) -> Receipt:
    zones = {CELL: frozenset({"1", "2"})}
    async with store.writing() as writing:
        recorded = await record_group(writing, [Delivery(cell, payload, "page")], zones.get, NOW_US, Limits())
    return recorded.receipts[0]


async def test_the_examples_of_messages_are_stored(store: SqlStore) -> None:
    receipt = await _receipt(store, json.dumps(EXAMPLES).encode())
    assert (receipt.refused, receipt.duplicate, receipt.stored) == ([], 0, len(EXAMPLES))


def test_every_type_and_every_field_is_in_an_example() -> None:
    assert {example["type"] for example in EXAMPLES} == KNOWN_FIELDS.keys()
    for kind, fields in KNOWN_FIELDS.items():
        shown = {name for example in EXAMPLES if example["type"] == kind for name in example}
        assert shown == fields, kind


@pytest.mark.parametrize("kind", sorted(KNOWN_FIELDS))
def test_the_table_of_a_type_lists_its_fields_and_which_are_needed(kind: str) -> None:
    listed = {codes(row[0])[0]: row for row in rows(section(PAGE, kind))}
    assert listed.keys() == KNOWN_FIELDS[kind] - COMMON
    for name, row in listed.items():
        assert row[1] == ("yes" if _is_needed(kind, name) else "no"), name
        assert set(CHOICES.get((kind, name), ())) <= set(codes(row[2])), name


def test_the_fields_of_every_message_are_listed_and_needed() -> None:
    listed = {codes(row[0])[0]: row[1] for row in rows(section(PAGE, "Every message"))}
    assert listed == dict.fromkeys(COMMON, "yes")
    for kind in KNOWN_FIELDS:
        assert all(_is_needed(kind, name) for name in COMMON)


def _is_needed(kind: str, name: str) -> bool:
    example = next(one for one in EXAMPLES if one["type"] == kind and name in one)
    try:
        read_message({field: value for field, value in example.items() if field != name})
    except Refusal as refusal:
        return refusal.reason == "field_missing"
    return False


def test_what_a_snapshot_tells_of_a_zone_and_of_an_alarm_is_listed() -> None:
    listed = {codes(row[0])[0]: codes(row[2]) for row in rows(section(PAGE, "snapshot"))}
    assert set(m.ZoneReport.__struct_fields__) <= set(listed["zones"])
    assert set(m.ActiveAlarm.__struct_fields__) <= set(listed["alarms"])


def test_the_examples_of_the_link_are_read() -> None:
    links = [block.text for block in BLOCKS if block.words[1:] == ("link",)]
    assert [read_link(text.encode()) for text in links] == ["up", "down"]


@pytest.mark.parametrize("block", REFUSED, ids=lambda block: block.option("refused"))
async def test_the_examples_of_what_is_refused_are_refused_for_that_reason(store: SqlStore, block: Block) -> None:
    receipt = await _receipt(store, block.text.encode(), block.option("cell") or CELL)
    assert [one.reason for one in receipt.refused] == [block.option("refused")]
    assert receipt.stored == (1 if block.option("refused") == "contradicts" else 0)


@pytest.mark.parametrize(("reason", "payload"), MADE.items())
async def test_payloads_too_long_to_show_are_refused_for_that_reason(
    store: SqlStore, reason: str, payload: bytes
) -> None:
    assert [one.reason for one in (await _receipt(store, payload)).refused] == [reason]


def test_exactly_the_reasons_that_the_program_gives_are_listed() -> None:
    listed = {codes(row[0])[0] for row in rows(section(PAGE, "What is refused"))}
    given = set()
    for source in (ROOT / "service").rglob("*.py"):
        given |= _reasons(ast.parse(source.read_text(encoding="utf-8")))
    assert listed == given == set(get_args(Reason))
    assert {block.option("refused") for block in REFUSED} | MADE.keys() | NOT_SHOWN == given


def _reasons(tree: ast.Module) -> set[str]:
    """Return the first argument of each Refusal that is made in a module."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]
    made = [call.args[0] for call in calls if isinstance(call.func, ast.Name) and call.func.id == "Refusal"]
    return {argument.value for argument in made if isinstance(argument, ast.Constant)}  # type: ignore[misc]


def test_the_limits_on_the_page_are_those_of_the_program() -> None:
    assert f"at most {MAX_PAYLOAD_BYTES // 1024} KiB" in PAGE
    assert f"at most {MAX_MESSAGES:,}" in PAGE
    assert f"at most {MAX_DEPTH} deep" in PAGE
    assert f"more than {AHEAD_US // 1_000_000} s ahead" in PAGE
    assert f"more than {Limits().clock_tolerance_us // 1_000_000} s makes" in PAGE
    assert f"{Limits().silence_us // 1_000_000} s after the last message" in PAGE
    texts = {int(number.replace(",", "")) for number in re.findall(r"1 to ([\d,]+) characters", PAGE)}
    assert texts == {validation.MAX_IDENTIFIER, validation.MAX_TEXT}
    assert f"0 to {validation.MAX_SECONDS:,}" in PAGE
