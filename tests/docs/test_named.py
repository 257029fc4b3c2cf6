"""What there is is named in the pages, and what the pages name there is: commands and flags, calls, metrics, settings."""

import json
import re
from pathlib import Path

import pytest
from fastapi.routing import iter_route_contexts

from tests.docs.commands import Told, code, flags_of, there, told
from tests.docs.pages import ROOT, pages, read, rows, section
from zoneledger.api.metrics import METRICS, PREFIX
from zoneledger.api.openapi import build_api
from zoneledger.settings import COMMANDS_KEY, OF_TESTS, Settings, setting

#: A decision and a change tell of what was.
PAGES = [page for page in pages() if "decisions" not in page.parts and page.name != "changelog.md"]
NAMES = [str(page.relative_to(ROOT)) for page in PAGES]
TEXTS = {name: page.read_text(encoding="utf-8") for name, page in zip(NAMES, PAGES, strict=True)}
COMMANDS = there()
TOLD = {name: told(text) for name, text in TEXTS.items()}
#: What shipped files name beside the pages.
SHIPPED = [path for path in (ROOT / "deploy").rglob("*") if path.is_file()] + [ROOT / "docker-compose.yml"]

#: Words that begin as a metric does and are none: packages, a claim of a token, what the job that makes backups tells.
NO_METRICS = {f"{PREFIX}{name}" for name in ("cli", "mqtt", "sim", "units", "backup_finished_seconds")}
_CALL = re.compile(r"\b(GET|PUT|POST|DELETE) (/[\w/{}.-]*)")
_ADDRESS = re.compile(r"https?://(?:127\.0\.0\.1:8000|zoneledger\.example)(/[\w/{}.-]*)")


def _command_of(one: Told) -> str | None:
    """Return the name of a command that a page has, None for a placeholder."""
    first, second = one.words[0], " ".join(one.words[:2])
    if first.isupper():
        return None
    if first.startswith("--"):
        return ""
    return second if second in COMMANDS else first


@pytest.mark.parametrize("name", sorted(name for name in COMMANDS if name))
def test_every_command_and_each_of_its_flags_is_on_a_page(name: str) -> None:
    on = [page for page, found in TOLD.items() if any(" ".join(one.words).startswith(name) for one in found)]
    assert on, "no page names it"
    named = {flag for page in on for line in code(TEXTS[page]) for flag in re.findall(r"--[a-z][a-z-]*", line)}
    assert flags_of(COMMANDS[name]) - {"--help"} - named == set()


@pytest.mark.parametrize("page", NAMES)
def test_every_command_that_a_page_has_is_there_with_its_flags(page: str) -> None:
    for one in TOLD[page]:
        name = _command_of(one)
        if name is not None:
            assert name in COMMANDS, one.words
            assert one.flags <= flags_of(COMMANDS[name]) | {"--help"}, one.words


def test_commands_are_found_in_the_pages() -> None:
    """The tests above would say nothing if the pages were not read rightly."""
    assert sum(map(len, TOLD.values())) > 60
    assert Told(("key", "create", "first", "--scope", "admin")) in TOLD["docs/install.md"]
    assert {name.split()[0] for name in COMMANDS if name} <= {one.words[0] for found in TOLD.values() for one in found}


def _routes() -> set[tuple[str, str]]:
    routes = iter_route_contexts(build_api().routes)
    return {(method, str(one.path_format)) for one in routes for method in one.methods or ()}


def _pattern(path: str) -> re.Pattern[str]:
    """Return what matches a call's path, with a unit or whatever is wanted in it; a page may leave that out at the end."""
    known = re.escape(path.partition("{")[0].rstrip("/"))
    return re.compile(re.sub(r"\\\{\w+\\\}", "[^?]+", re.escape(path)) + f"|{known}")


def test_exactly_the_calls_of_the_document_are_in_the_list_of_calls() -> None:
    document = json.loads(read("docs/openapi.json"))["paths"]
    there = {(method.upper(), path) for path, methods in document.items() for method in methods}
    listed = {call for row in rows(section(read("docs/rest-api.md"), "Calls")) for call in _CALL.findall(row[0])}
    undocumented = {"/openapi.json", "/contract/message.schema.json", "/contract/asyncapi.json"}
    assert {call for call in listed if call[1] not in undocumented} == there


@pytest.mark.parametrize("page", NAMES)
def test_every_call_that_a_page_names_is_there(page: str) -> None:
    routes = [(method, _pattern(path)) for method, path in _routes()]
    for line in code(TEXTS[page]):
        for method, path in _CALL.findall(line):
            assert any(one == method and pattern.fullmatch(path) for one, pattern in routes), f"{method} {path}"
        for path in _ADDRESS.findall(line):
            assert any(pattern.fullmatch(path) for _, pattern in routes), path


@pytest.mark.parametrize("page", NAMES)
def test_every_metric_that_a_page_names_is_there(page: str) -> None:
    there = {f"{PREFIX}{name}{end}" for name in METRICS for end in ("", "_total", "_bucket", "_sum", "_count")}
    named = {word for line in code(TEXTS[page]) for word in re.findall(rf"\b{PREFIX}[a-z0-9_]*[a-z0-9]\b", line)}
    assert named - there - NO_METRICS == set()


@pytest.mark.parametrize("page", [*NAMES, *(str(path.relative_to(ROOT)) for path in SHIPPED)])
def test_every_setting_that_a_page_or_a_shipped_file_names_is_there(page: str) -> None:
    there = {setting(name) for name in Settings.model_fields} | {COMMANDS_KEY}
    named = set(re.findall(r"\bZONELEDGER_[A-Z_]*[A-Z]\b", Path(ROOT, page).read_text(encoding="utf-8")))
    assert {name for name in named - there if not name.startswith(OF_TESTS)} == set()
