"""What the checks of an installation make of what they were told."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from zoneledger.application.stored import Room
from zoneledger.clock import now_us
from zoneledger.core.calendar import DAY_US
from zoneledger.settings import Settings
from zoneledger.storage.examining import DatabaseFacts
from zoneledger_cli.checks import broker, database, machine
from zoneledger_cli.checks.findings import Finding, Grade, fault, not_known, ok, warning
from zoneledger_cli.checks.installation import Installation
from zoneledger_cli.checks.known_faults import KNOWN, known_faults
from zoneledger_cli.checks.own_settings import own_settings
from zoneledger_cli.finding_lines import conclusion, document, line_of
from zoneledger_mqtt.probing import MESSAGES, Probed

WELL = {
    "archive_mode": "on",
    "autovacuum": "on",
    "data_checksums": "on",
    "fsync": "on",
    "full_page_writes": "on",
    "lock_timeout": "0",
    "max_connections": "100",
    "server_encoding": "UTF8",
    "statement_timeout": "0",
    "superuser_reserved_connections": "3",
    "synchronous_commit": "on",
    "TimeZone": "UTC",
    "transaction_read_only": "off",
}
POSTGRESQL = DatabaseFacts(
    "postgresql", (15, 99), "0011", "0011", WELL, Room(10**9, None), clock_ahead_us=1, connections=9
)
SQLITE = DatabaseFacts("sqlite", (3, 60, 0), "0011", "0011", {"journal_mode": "wal"}, Room(10**9, 10**11))


class _Told(Installation):
    """An installation whose database has told what it has told."""

    def __init__(self, facts: DatabaseFacts, **settings: Any) -> None:
        super().__init__(Settings(**settings))
        self._facts = facts


async def _of_postgresql(told: dict[str, str] | None = None, **changes: Any) -> list[Finding]:
    facts = replace(POSTGRESQL, settings=WELL | (told or {}), **changes)
    return await database.database(_Told(facts, database_url="postgresql://zoneledger@localhost/zoneledger"))


def _bad(findings: list[Finding]) -> list[tuple[str, str]]:
    return [(one.grade.value, one.check) for one in findings if one.grade is not Grade.OK]


async def test_a_database_that_is_set_as_it_should_be_is_well() -> None:
    assert _bad(await _of_postgresql()) == []


@pytest.mark.parametrize(
    ("told", "how", "check", "words"),
    [
        ({"fsync": "off"}, "fault", "database settings", "fsync is off"),
        ({"full_page_writes": "off"}, "fault", "database settings", "full_page_writes is off"),
        ({"autovacuum": "off"}, "fault", "database settings", "autovacuum is off"),
        ({"server_encoding": "SQL_ASCII"}, "fault", "database settings", "server_encoding is SQL_ASCII"),
        ({"synchronous_commit": "off"}, "fault", "database settings", "lost when the server crashes"),
        ({"transaction_read_only": "on"}, "fault", "database settings", "only reads"),
        ({"TimeZone": "Europe/Lisbon"}, "warning", "database settings", "Europe/Lisbon"),
        ({"data_checksums": "off"}, "warning", "database settings", "data_checksums is off"),
        ({"statement_timeout": "5000"}, "warning", "database time-outs", "statement_timeout is 5000 ms"),
        ({"lock_timeout": "1"}, "warning", "database time-outs", "lock_timeout is 1 ms"),
        ({"max_connections": "29"}, "warning", "database connections", "9 of 29 connections"),
        ({"archive_mode": "off"}, "warning", "database archive", "archives no log"),
    ],
)
async def test_a_setting_of_postgresql_that_costs_something_is_told(
    told: dict[str, str], how: str, check: str, words: str
) -> None:
    findings = [one for one in await _of_postgresql(told) if one.grade is not Grade.OK]
    assert [(one.grade.value, one.check) for one in findings] == [(how, check)]
    assert words in findings[0].text
    assert findings[0].remedy


async def test_archiving_that_fails_and_a_clock_that_is_off_are_told() -> None:
    assert _bad(await _of_postgresql(archiving_fails=True)) == [("fault", "database archive")]
    assert _bad(await _of_postgresql(clock_ahead_us=-2_000_000)) == [("warning", "clock")]
    assert _bad(await _of_postgresql(clock_ahead_us=6_000_000)) == [("fault", "clock")]


@pytest.mark.parametrize(("schema", "how"), [(None, "warning"), ("0003", "warning"), ("0099", "fault"), ("0011", None)])
async def test_a_schema_of_another_version_is_told(schema: str | None, how: str | None) -> None:
    assert _bad(await _of_postgresql(schema=schema)) == ([] if how is None else [(how, "database")])


async def test_what_is_sent_over_a_network_should_be_encrypted() -> None:
    installation = _Told(replace(POSTGRESQL, encrypted=False), database_url="postgresql://z@db.example/zoneledger")
    assert _bad(await database.database(installation)) == [("warning", "database encryption")]
    installation = _Told(replace(POSTGRESQL, encrypted=True), database_url="postgresql://z@db.example/zoneledger")
    assert _bad(await database.database(installation)) == []


async def test_a_disk_that_will_be_full_is_told_with_the_growth() -> None:
    begun_us = now_us() - 10 * DAY_US
    facts = replace(SQLITE, room=Room(20 * 10**9, 30 * 10**9), messages=1000, since_us=begun_us, file=Path(__file__))
    [finding] = [one for one in await database.database(_Told(facts)) if one.check == "database size"]
    assert finding.grade is Grade.WARNING
    assert "20.0 GB for 1,000 messages, 2.0 GB a day, and 30.0 GB are left" in finding.text


@pytest.mark.parametrize(
    ("system", "how"), [("ext4", "ok"), ("nfs4", "fault"), ("fuse.sshfs", "fault"), (None, "not known")]
)
async def test_sqlite_wants_a_disk_of_its_own_machine(
    system: str | None, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "file_system_of", lambda _: system)
    findings = await database.database(_Told(replace(SQLITE, file=Path("/x"))))
    assert [one.grade.value for one in findings if one.check == "database disk"] == [how]


def test_the_file_system_of_this_folder_is_known() -> None:
    assert machine.file_system_of(Path(__file__))


@pytest.mark.parametrize(
    ("program", "version", "number"),
    [
        ("SQLite", (3, 40, 1), 1),
        ("SQLite", (3, 44, 6), 0),
        ("SQLite", (3, 50, 6), 1),
        ("SQLite", (3, 51, 3), 0),
        ("PostgreSQL", (13, 23), 1),
        ("PostgreSQL", (14, 3), 1),
        ("PostgreSQL", (14, 4), 0),
        ("PostgreSQL", (15, 19), 1),
        ("PostgreSQL", (18, 7), 0),
        ("Mosquitto", (2, 0, 11), 2),
        ("Mosquitto", (2, 0, 22), 1),
        ("Mosquitto", (2, 0, 23), 0),
    ],
)
def test_versions_with_known_faults_are_told_with_their_sources(
    program: str, version: tuple[int, ...], number: int
) -> None:
    findings = known_faults("x", program, version)
    told = [one for one in findings if one.grade is Grade.WARNING]
    assert len(told) == number
    assert all("(https://" in one.text and one.remedy for one in told)
    assert bool(told) is (findings[0].grade is not Grade.OK)


def test_every_known_fault_has_a_source_and_an_end() -> None:
    for one in KNOWN:
        assert one.source.startswith("https://")
        assert one.first < one.mended


_GOOD = Probed("5", "mosquitto version 2.0.23", {}, None, True, True, MESSAGES, MESSAGES, True)


def _broker_says(**changes: Any) -> list[tuple[str, str]]:
    found, settings = replace(_GOOD, **changes), Settings(broker_url="mqtt://127.0.0.1")
    checks = (broker._version(found), broker._queue(found, settings, "zoneledger/v1"), broker._large(found))
    return _bad([finding for check in (*checks, broker._promises(found)) for finding in check])


def test_a_broker_that_brings_all_back_is_well() -> None:
    assert _broker_says() == []


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"kept": 1000}, ("fault", "broker queue")),
        ({"acknowledged": 900, "kept": 900, "refusal": "Quota exceeded"}, ("fault", "broker queue")),
        ({"retained": False}, ("fault", "broker retained")),
        ({"large": False}, ("fault", "broker packet")),
        ({"promises": {"MaximumPacketSize": 100_000}}, ("fault", "broker packet")),
        ({"promises": {"MaximumQoS": 0}}, ("fault", "broker")),
        ({"promises": {"SessionExpiryInterval": 3600}}, ("warning", "broker queue")),
        ({"heard": False}, ("not known", "broker queue")),
        ({"version": None}, ("not known", "broker version")),
        ({"version": "another broker 1.2"}, ("not known", "broker version")),
    ],
)
def test_what_a_broker_does_not_do_is_told(changes: dict[str, Any], told: tuple[str, str]) -> None:
    assert _broker_says(**changes) == [told]


async def _own(**settings: Any) -> list[Finding]:
    return [one for one in await own_settings(Installation(Settings(**settings))) if one.grade is not Grade.OK]


async def test_settings_that_go_together_are_well(monkeypatch: pytest.MonkeyPatch) -> None:
    assert await _own(broker_url="mqtts://broker.example", keep_messages_days=90) == []
    monkeypatch.setenv("ZONELEDGER_TOPICROOT", "x")
    [finding] = await _own()
    assert "ZONELEDGER_TOPICROOT is no setting" in finding.text


@pytest.mark.parametrize(
    ("settings", "how", "words"),
    [
        ({"host": "0.0.0.0"}, "fault", "the service does not start"),
        ({"host": "0.0.0.0", "open_to_network": True}, "warning", "lets everybody in"),
        ({"broker_url": "mqtt://service:x@broker.example"}, "warning", "not encrypted"),
        ({"keep_messages_days": 2}, "warning", "after 2 days"),
        ({"plant": "there-is-none.yaml"}, "fault", "there is no plant file there-is-none.yaml"),
    ],
)
async def test_settings_that_do_not_go_together_are_told(settings: dict[str, Any], how: str, words: str) -> None:
    [finding] = await _own(**settings)
    assert (finding.grade.value, words in finding.text) == (how, True)
    assert "service:x" not in f"{finding}"


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        (
            "plant.yaml",
            "sites:\n  - site: Harbour\n    timezone: UTC\n    lines: []\n",
            "plant.yaml line 2, sites/0/site",
        ),
        ("plant.yaml", "sites: [\n", "plant.yaml line "),
        ("plant.json", '{"sites": [{"site": "harbour", "timezone": "Nowhere", "lines": []}]}', "sites/0/timezone"),
    ],
)
async def test_a_plant_file_with_which_the_service_does_not_start_is_told(
    name: str, text: str, words: str, tmp_path: Path
) -> None:
    (tmp_path / name).write_text(text)
    findings = await _own(plant=str(tmp_path / name))
    assert {one.grade.value for one in findings} == {"fault"}
    assert any(words in one.text for one in findings), findings


def test_a_finding_is_a_line_in_sentences() -> None:
    assert line_of(ok("disk", "it is large")) == "ok        disk: It is large."
    assert line_of(fault("clock", "it is off", "set it")) == "fault     clock: It is off. Set it."
    assert line_of(not_known("broker", "nobody asked")) == "not known broker: Nobody asked."


def test_the_last_line_counts_what_is_to_be_mended() -> None:
    found = [ok("a", "b"), not_known("a", "b"), warning("a", "b", "c"), fault("a", "b", "c"), fault("a", "b", "c")]
    assert conclusion(found[:2]) == "Nothing is to be mended."
    assert conclusion(found) == "2 faults, 1 warning."
    assert document(found)["faults"] == 2
    assert document(found[2:3])["findings"] == [{"check": "a", "grade": "warning", "text": "b", "remedy": "c"}]
