"""The pages fit together: links resolve, blocks parse, generated parts are current, and nothing ties them to one machine."""

import json
import re
from itertools import product
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from tests.docs import state_diagram
from tests.docs.pages import DOCS, ROOT, anchors, blocks, codes, links, pages, read, rows, section
from zoneledger.core import states
from zoneledger.core.messages import ACTIVITIES, WAITS

PAGES = pages()
NAMES = [str(page.relative_to(ROOT)) for page in PAGES]
CONCEPTS = read("docs/concepts.md")

#: Addresses from which packages are fetched, and paths that only one machine has; put together so that this file is clean.
_REGISTRIES = [
    "py" + "pi.org",
    "python" + "hosted.org",
    "npm" + "js",
    "docker" + ".io",
    "index" + "-url",
    "gh" + "cr.io",
]
_MACHINE_PATHS = re.compile(r"(?<![\w.])/(work|root|home|tmp|Users)/\w|[A-Z]:\\")


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_links_lead_somewhere(page: Path) -> None:
    for target in links(page.read_text(encoding="utf-8")):
        path, _, anchor = target.partition("#")
        if "://" in target:
            continue
        aim = (page.parent / path).resolve() if path else page
        assert aim.is_relative_to(ROOT), target
        assert aim.exists(), target
        if anchor:
            assert anchor in anchors(aim.read_text(encoding="utf-8")), target


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_blocks_of_json_and_yaml_parse(page: Path) -> None:
    for block in blocks(page.read_text(encoding="utf-8")):
        language = block.words[0] if block.words else ""
        if language == "json" and block.option("refused") != "not_json":
            assert json.loads(block.text) is not None
        if language == "yaml":
            assert YAML(typ="safe").load(block.text) is not None


@pytest.mark.parametrize("page", PAGES, ids=NAMES)
def test_no_page_names_a_registry_or_a_path_of_one_machine(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert [name for name in _REGISTRIES if name in text] == []
    assert _MACHINE_PATHS.search(text) is None


def test_every_page_is_in_the_index() -> None:
    listed = {(DOCS / link.partition("#")[0]).resolve() for link in links(read("docs/index.md"))}
    assert {page for page in PAGES if page.name != "index.md"} <= listed


@pytest.mark.parametrize("page", sorted((DOCS / "decisions").glob("*.md")), ids=lambda page: page.stem)
def test_a_decision_is_short_and_numbered(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 40
    assert text.startswith(f"# {int(page.name[:4])}. ")


def test_the_diagram_of_states_is_current() -> None:
    assert state_diagram.redrawn(CONCEPTS) == CONCEPTS, "run: .venv/bin/python -m tests.docs.state_diagram"


def test_the_table_of_states_says_what_the_program_does() -> None:
    for stop, wait, activity in product((None, "clamp-force"), (None, *WAITS), (None, *ACTIVITIES)):
        holds = [False, stop, wait, activity in ("load", "unload", "setup"), activity == "process", True]
        first = next(number for number, one in enumerate(holds) if one)
        assert states.zone_standing(stop, wait, activity)[0] == states.PRECEDENCE[first][1]


def test_states_and_all_their_reasons_are_explained() -> None:
    reasons = {row[0]: codes(row[1]) for row in rows(section(CONCEPTS, "Reasons"))}
    assert reasons.keys() == set(states.STATES)
    assert set(reasons["idle"]) == {*WAITS, states.UNEXPLAINED}
    assert {*reasons["changeover"], *reasons["running"]} == set(states.ACTIVITY_STATE)
    unknown = {codes(row[0])[0] for row in rows(section(CONCEPTS, "Evidence and unknown"))}
    kinds = (
        states.GAP,
        states.REBOOT,
        states.CLOCK,
        states.NOT_REPORTED,
        states.SILENCE,
        states.NO_SNAPSHOT,
        states.NOT_KEPT,
    )
    assert unknown == set(kinds)


def test_every_kind_of_discrepancy_is_explained() -> None:
    source = (ROOT / "service" / "zoneledger" / "core" / "booking.py").read_text(encoding="utf-8")
    found = re.findall(r'_flag\("(\w+)"|kind = "(\w+)" if \w+ else "(\w+)"', source)
    kinds = {kind for each in found for kind in each if kind} | set(re.findall(r'"(unseen)"', source))
    assert {codes(row[0])[0] for row in rows(section(CONCEPTS, "Discrepancies"))} == kinds


def test_the_words_of_the_glossary_stand_in_order_once() -> None:
    words = [row[0] for row in rows(read("docs/glossary.md"))]
    assert words == sorted(set(words), key=str.lower)
