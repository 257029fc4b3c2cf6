"""The threat model claims nothing without a test that is there, and its ways and ports are those that are shipped."""

import re

import pytest

from tests.docs.pages import ROOT, blocks, codes, read, rows, section
from tests.docs.test_runbook import NAMES as ALERTS
from zoneledger.api.guard import TABLE
from zoneledger.settings import Settings
from zoneledger.storage.engines import POSTGRESQL_PORT

PAGE = read("docs/threat-model.md")
KINDS = {"spoofing", "tampering", "repudiation", "disclosure", "denial", "elevation"}
SECTIONS = [heading for heading in re.findall(r"^## (.+)$", PAGE, re.MULTILINE) if heading.startswith("From ")]
FLOWS = list(rows(section(PAGE, "What flows where")))


def test_every_test_that_is_named_is_there() -> None:
    sources = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("test_*.py"))
    there = set(re.findall(r"def (test_\w+)\(", sources))
    named = {code for code in codes(PAGE) if code.startswith("test_")}
    assert len(named) > 60
    assert named - there == set()


@pytest.mark.parametrize("heading", SECTIONS)
def test_every_threat_has_its_kind_and_what_stops_it_or_what_remains(heading: str) -> None:
    threats = list(rows(section(PAGE, heading)))
    assert len(threats) >= 5
    for threat, kinds, stops, remains in threats:
        assert set(kinds.split(", ")) <= KINDS, threat
        shown = re.search(r"`(test_\w+|make \w+|[\w./-]+/[\w.-]+)`", stops)
        assert shown or remains, threat


def test_all_kinds_of_threats_are_looked_at() -> None:
    looked = {kind for heading in SECTIONS for row in rows(section(PAGE, heading)) for kind in row[1].split(", ")}
    assert looked == KINDS


def test_the_diagram_has_the_ways_of_the_table() -> None:
    [diagram] = [block.text for block in blocks(PAGE) if block.words == ("text",)]
    assert sorted(map(int, re.findall(r"\d+", diagram))) == [int(row[0]) for row in FLOWS]
    for row in FLOWS:
        for part in row[1].split(", "):
            assert part.removesuffix("'s machine").split()[-1] in diagram, row[1]


def test_the_ports_of_the_table_are_those_that_are_shipped() -> None:
    broker = re.findall(r"^listener (\d+)$", read("deploy/mosquitto.conf"), re.MULTILINE)
    lists = re.findall(r"^ +ports: \[(.*)\]$", read("docker-compose.yml"), re.MULTILINE)
    published = re.findall(r'"(\d+):\d+"', " ".join(lists))
    service = str(Settings.model_fields["port"].default)
    told = {row[0]: row[3] for row in FLOWS}
    assert {told[number] for number in "1234"} == set(broker)
    assert {told["1"], told["2"], told["5"], "80"} == set(published), "nothing else is open"
    assert (told["6"], told["7"], told["9"]) == (service, str(POSTGRESQL_PORT), told["5"])


def test_only_a_session_can_be_deleted() -> None:
    assert [path for method, path in TABLE if method == "DELETE"] == ["/v1/session"]


def test_alerts_that_are_linked_are_there() -> None:
    assert set(re.findall(r"runbook\.md#(\w+)", PAGE)) <= {name.lower() for name in ALERTS}
