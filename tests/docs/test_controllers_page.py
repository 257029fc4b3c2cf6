"""The guide for controller programmers: its messages are taken, its trial is run as it stands, and what it says of brokers holds."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.docs.pages import blocks, codes, read, rows, section
from tests.faults.launching import ForkedService
from tests.servers.fixtures import lend, programs
from tests.servers.programs import find_program, wait_until
from tests.servers.secure_mosquitto import SecureMosquitto
from tests.servers.service import ServiceProcess
from zoneledger.api.times import rfc3339
from zoneledger.application.findings import CODES
from zoneledger.application.findings_of_sending import SLACK_US, SNAPSHOT_EVERY_US
from zoneledger.clock import now_us
from zoneledger.core import messages as m
from zoneledger.core.decoding import MAX_MESSAGES, MAX_PAYLOAD_BYTES
from zoneledger.core.validation import KNOWN_FIELDS, parse_instant
from zoneledger_cli.authority import Use, Wanted, instant
from zoneledger_cli.certificates import BROKER, OWN_MACHINE, SERVICE, Folder, make

PAGE = read("docs/controllers.md")
BLOCKS = blocks(PAGE)
CELL, OTHER = "harbour/wing-1/cell-1", "harbour/wing-1/cell-2"
PLANT = {
    "sites": [
        {
            "site": "harbour",
            "timezone": "UTC",
            "lines": [
                {"line": "wing-1", "cells": [{"cell": cell, "zones": ["1", "2"]} for cell in ("cell-1", "cell-2")]}
            ],
        }
    ]
}
[MORNING] = [json.loads(block.text) for block in BLOCKS if block.words == ("json", "message")]
NO_SUBSCRIBERS, NOT_AUTHORIZED = 16, 135


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    """Certificates where the page's commands have them."""
    folder = Folder(tmp_path_factory.mktemp("desk") / "certificates")
    wanted = {BROKER: Wanted(BROKER, Use.BROKER, OWN_MACHINE), SERVICE: Wanted(SERVICE, Use.CLIENT)}
    cells = {f"cells/{cell}": Wanted(cell, Use.CLIENT) for cell in (CELL, OTHER)}
    make(folder, wanted | cells, instant(now_us()), 30, renew=False)
    return folder


@pytest.fixture(scope="module")
def broker(certificates: Folder) -> Iterator[SecureMosquitto]:
    """A broker as it is shipped, and the client that the page sends with."""
    with programs():
        find_program("mosquitto_pub")
    yield from lend(lambda: SecureMosquitto(certificates.path))


@pytest.fixture(scope="module")
def code_before(broker: SecureMosquitto, certificates: Folder) -> int:
    """The reason code of a message before the service was ever there."""
    return _reason_code(broker, certificates, CELL)


@pytest.fixture(scope="module")
def service(
    broker: SecureMosquitto, certificates: Folder, code_before: int, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[ServiceProcess]:
    """A service that listens to it, and knows the plant."""
    assert code_before > 0
    directory = tmp_path_factory.mktemp("service")
    settings = {
        "ZONELEDGER_BROKER_CA": str(certificates.file("ca", "pem")),
        "ZONELEDGER_BROKER_CERTIFICATE": str(certificates.file(SERVICE, "pem")),
        "ZONELEDGER_BROKER_KEY": str(certificates.file(SERVICE, "key")),
    }
    with ForkedService(*_flags(directory), "--broker", broker.url, settings=settings) as service:
        yield service


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[ServiceProcess]:
    """A service without a broker, that knows the plant."""
    with ForkedService(*_flags(tmp_path)) as service:
        yield service


def _flags(directory: Path) -> tuple[str, ...]:
    plant = directory / "plant.json"
    plant.write_text(json.dumps(PLANT))
    return "--database", f"sqlite:///{directory / 'page.db'}", "--plant", str(plant)


def _trial(broker: SecureMosquitto, url: str) -> tuple[str, str]:
    """Return the commands that send, and the one that asks, for this broker and service."""
    port = broker.cells_url.rpartition(":")[2]
    sending, asking = (block.text for block in BLOCKS if block.words == ("sh", "try"))
    sending = sending.replace("broker.example", "localhost").replace("8883", port)
    return sending, asking.replace("https://zoneledger.example --key-file reader.key", f"{url} --json")


def _run(commands: str, directory: Path) -> subprocess.CompletedProcess[str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        ["sh", "-e"],
        input=commands,
        cwd=directory,
        capture_output=True,
        text=True,
        timeout=60,
        env={"PATH": path, "LANG": "C.UTF-8"},
    )


def _send(url: str, cell: str, messages: list[Any]) -> dict[str, Any]:
    answer = httpx.post(f"{url}/v1/messages", json={"cell": cell, "messages": messages}, timeout=60)
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def _spans(service: ServiceProcess, cell: str, window: dict[str, str]) -> list[dict[str, Any]]:
    [unit] = service.get(f"/v1/timeline/{cell}/1", **window)["units"]
    spans: list[dict[str, Any]] = unit["spans"]
    return spans


def test_the_trial_on_the_page_ends_with_a_contract_that_was_kept(
    broker: SecureMosquitto, service: ServiceProcess, certificates: Folder
) -> None:
    sending, asking = _trial(broker, service.url)
    begun_us = now_us()
    sent = _run(sending, certificates.path.parent)
    assert (sent.returncode, sent.stderr) == (0, "")
    wait_until(lambda: service.received("snapshots", [CELL]) == 2, "all that was sent")
    asked = _run(asking, certificates.path.parent)
    told = json.loads(asked.stdout)
    breaches = [finding["code"] for finding in told["findings"] if finding["severity"] == "breach"]
    # A machine that takes longer for five commands sends its snapshots further apart than the contract has them.
    window = {"start": rfc3339(begun_us), "end": rfc3339(now_us())}
    taken = [one["message"] for one in service.get(f"/v1/evidence/{CELL}", **window)["messages"]]
    first_us, last_us = (parse_instant("at", one["at"]) for one in taken if one["type"] == "snapshot")
    expected = ["snapshots_rare"] if last_us - first_us > SNAPSHOT_EVERY_US + SLACK_US else []
    assert (asked.returncode, told["kept"], breaches) == (len(expected), not expected, expected), asked.stderr
    assert (told["fasteners"], told["link"]["state"], service.received(cells=[CELL])) == (1, "up", 3)


def test_the_trial_without_an_event_says_that_it_is_missing(
    broker: SecureMosquitto, service: ServiceProcess, certificates: Folder
) -> None:
    sending, _ = _trial(broker, service.url)
    without = re.sub(r'\[\{"v": 1, "boot": \$boot, "seq": 2.*?"F-0001"\},\n', "[", sending, flags=re.DOTALL)
    assert without != sending
    assert _run(without.replace(CELL, OTHER), certificates.path.parent).returncode == 0
    wait_until(lambda: service.received("snapshots", [OTHER]) == 2, "all that was sent")
    told = service.get(f"/v1/commissioning/{OTHER}")
    assert told["kept"] is False
    assert "events_missing" in {finding["code"] for finding in told["findings"]}


def _reason_code(broker: SecureMosquitto, certificates: Folder, cell: str) -> int:
    """Return the reason code that the first cell gets for a message on the topic of this one."""
    own, port = certificates.path / "cells" / CELL, broker.cells_url.rpartition(":")[2]
    command = ["mosquitto_pub", "-d", "-V", "mqttv5", "-q", "1", "-m", "[]", "-t", f"cells/v1/{cell}/events"]
    command += ["-h", "localhost", "-p", port, "--cafile", str(certificates.file("ca", "pem"))]
    command += ["--cert", f"{own}.pem", "--key", f"{own}.key"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    [code] = re.findall(r"PUBACK \(Mid: \d+, RC:(\d+)\)", done.stdout)
    return int(code)


def test_the_reason_codes_on_the_page_are_those_of_the_broker(
    broker: SecureMosquitto, certificates: Folder, code_before: int, service: ServiceProcess
) -> None:
    assert code_before == NO_SUBSCRIBERS
    assert _reason_code(broker, certificates, OTHER) == NOT_AUTHORIZED
    service.stop()
    assert _reason_code(broker, certificates, CELL) == 0, "the broker keeps it for the service"
    service.start()
    told = {row[0] for row in rows(section(PAGE, "When something is not taken"))}
    assert {f"reason code {code}" for code in (0, NO_SUBSCRIBERS, NOT_AUTHORIZED)} <= told


def test_the_morning_on_the_page_is_taken_and_contradicts_nothing(desk: ServiceProcess) -> None:
    assert _send(desk.url, CELL, MORNING) == {"stored": len(MORNING), "duplicate": 0, "refused": []}
    assert desk.get("/v1/gaps")["gaps"] == desk.get("/v1/discrepancies")["discrepancies"] == []
    window = {"start": "2026-11-25T06:00:00Z", "end": "2026-11-25T06:11:10Z"}
    told = [(span["state"], span["reason"]) for span in _spans(desk, CELL, window)]
    changed = [("changeover", "load"), ("idle", "head"), ("running", "process"), ("fault", "clamp-force")]
    assert told == [("idle", "unexplained"), *changed, ("running", "process"), ("idle", "unexplained")]


def test_between_events_that_follow_each_other_snapshots_may_be_left_out(desk: ServiceProcess) -> None:
    first, *events, last = MORNING
    between = [
        {**last, "seq": one["seq"], "at": one["at"], "zones": {"1": zone, "2": {}}} for one, zone in _standing(events)
    ]
    assert _send(desk.url, CELL, [first, *events, *between, last])["stored"] == len(MORNING) + len(between)
    assert _send(desk.url, OTHER, [first, *events, last])["stored"] == len(MORNING)
    assert desk.get("/v1/discrepancies")["discrepancies"] == []
    window = {"start": "2026-11-25T05:00:00Z", "end": "2026-11-25T07:00:00Z"}
    with_all, without = (_spans(desk, cell, window) for cell in (CELL, OTHER))
    assert with_all == without
    assert len(without) >= 7


def _standing(events: list[dict[str, Any]]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Yield each event but those of an alarm, which a snapshot would have to tell, with what zone 1 does after it."""
    zone: dict[str, Any] = {"made": 0}
    for one in events:
        begins = one.get("phase") == "begin"
        if one["type"] == "activity":
            zone = {"made": zone["made"]}
            zone |= {name: one[name] for name in ("activity", "program", "panel") if begins and name in one}
        elif one["type"] == "wait":
            zone.pop("wait", None)
            zone |= {"wait": one["for"]} if begins else {}
        elif one["type"] == "fastener":
            zone["made"] += 1
        if one["type"] != "alarm":
            yield one, dict(zone)


def test_the_program_speaks_in_words_of_the_contract() -> None:
    quoted = {word for block in BLOCKS if block.words == ("iecst",) for word in re.findall(r"'([a-z-]+)'", block.text)}
    assert quoted == {"fastener", "fasten", "good", "alarm", "raise", "stop"}
    assert quoted <= {*KNOWN_FIELDS, *m.OPERATIONS, *m.RESULTS, *m.SEVERITIES, "raise", "clear"}
    assert f"take_oldest({MAX_MESSAGES}, {MAX_PAYLOAD_BYTES})" in PAGE


def test_what_is_said_when_has_every_type_activity_and_severity() -> None:
    said = {word for row in rows(section(PAGE, "What to say when")) for word in codes(row[1])}
    assert KNOWN_FIELDS.keys() - {"snapshot"} <= said
    assert {*m.ACTIVITIES, *m.SEVERITIES, "begin", "end", "raise", "clear"} <= said


def test_the_list_to_tick_names_findings_that_there_are() -> None:
    named = {code for row in rows(section(PAGE, "Until it is accepted")) for code in codes(row[1])}
    assert named <= CODES.keys()
    #: What is told otherwise: by words on the page, or as a reason for a refusal.
    left_to_the_page = {code for code in CODES if code.startswith("refused_")}
    left_to_the_page |= {
        "nothing_came",
        "cell_misnamed",
        "not_all_read",
        "arrived_late",
        "duplicates_many",
        "wait_not_present",
    }
    assert CODES.keys() - named <= left_to_the_page
