"""What a user can set, type, call or be told is named in the pages."""

import json
import re
from pathlib import Path
from typing import Any

import pytest

from tests.docs.pages import ROOT, codes, everything, read, rows, section
from tests.servers.mosquitto import SHIPPED
from zoneledger.application.findings import CODES
from zoneledger.settings import Settings
from zoneledger_cli.main import app

PAGES = everything()
OPERATIONS = read("docs/operations.md")
BROKER = read("docs/broker.md")


@pytest.fixture(scope="module")
def openapi() -> dict[str, Any]:
    """The OpenAPI document as it is committed; another test holds it against the program."""
    document: dict[str, Any] = json.loads(read("docs/openapi.json"))
    return document


def test_exactly_the_settings_that_there_are_are_listed() -> None:
    prefix = str(Settings.model_config.get("env_prefix", ""))
    there = {f"{prefix}{name}".upper() for name in Settings.model_fields}
    assert {codes(row[0])[0] for row in rows(section(OPERATIONS, "Settings"))} == there


def test_the_defaults_of_settings_are_those_listed() -> None:
    prefix = str(Settings.model_config.get("env_prefix", ""))
    listed = {codes(row[0])[0]: row[2] for row in rows(section(OPERATIONS, "Settings"))}
    for name, field in Settings.model_fields.items():
        told = listed[f"{prefix}{name}".upper()]
        expected = "none" if field.default is None else str(field.default)
        assert told.strip("`") == expected, name


def test_every_flag_of_serve_is_listed_beside_its_setting() -> None:
    listed = {flag for row in rows(section(OPERATIONS, "Settings")) for flag in codes(row[1])}
    source = (ROOT / "adapters" / "zoneledger_cli" / "main.py").read_text(encoding="utf-8")
    serve = source.partition("def serve(")[2].partition(") -> None")[0]
    assert {f"--{name.replace('_', '-')}" for name in re.findall(r"^    (\w+):", serve, re.MULTILINE)} == listed


def test_exactly_the_commands_that_there_are_are_listed() -> None:
    there = {command.name or command.callback.__name__ for command in app.registered_commands if command.callback}
    there |= {str(group.name) for group in app.registered_groups}
    listed = {codes(row[0])[0].split()[1] for row in rows(section(OPERATIONS, "Commands"))}
    assert listed == there


def test_every_route_is_named(openapi: dict[str, Any]) -> None:
    for path in openapi["paths"]:
        assert path in PAGES, path


def test_every_field_of_the_answer_on_figures_is_explained(openapi: dict[str, Any]) -> None:
    explained = {part for code in codes(read("docs/figures.md")) for part in (code, *code.split("."))}
    schemas = openapi["components"]["schemas"]
    for name in ("KpiAnswer", "TimeByState", "Fasteners", "Rates", "ZoneFigures"):
        assert set(schemas[name]["properties"]) - explained == set(), name


def test_the_broker_settings_listed_are_those_shipped() -> None:
    lines = [line.split(" ", 1) for line in SHIPPED.read_text(encoding="utf-8").splitlines() if " " in line]
    shipped = {name: value for name, value in lines if not name.startswith("#")}
    for row in rows(section(BROKER, "Settings")):
        name = codes(row[0])[0]
        assert shipped.get(name) == (codes(row[1])[0] if codes(row[1]) else None), name


def test_every_reason_for_a_refusal_has_a_remedy() -> None:
    reasons = {codes(row[0])[0] for row in rows(section(read("docs/contract.md"), "What is refused"))}
    remedied = {code for row in rows(section(OPERATIONS, "When messages are refused")) for code in codes(row[0])}
    assert remedied == reasons


def test_files_that_pages_name_are_there() -> None:
    named = {
        code
        for code in codes(PAGES)
        if re.fullmatch(r"[\w./-]+/[\w-]+\.(py|conf|yml|json)|Makefile|docker-compose\.yml", code)
    }
    tops = (ROOT, ROOT / "service" / "zoneledger", ROOT / "tests")
    assert [name for name in sorted(named) if not any(Path(top, name).exists() for top in tops)] == []


def test_exactly_the_findings_that_there_are_are_explained() -> None:
    listed = {codes(row[0])[0]: row[1] for row in rows(section(read("docs/commissioning.md"), "Findings"))}
    assert listed == CODES
