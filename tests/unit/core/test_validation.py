"""What a JSON value has to be to stand for a message, and which message it then stands for."""

from typing import Any

import pytest

from tests.contract.payloads import activity, alarm, fastener, message, snapshot, verdict
from zoneledger.core import messages as m
from zoneledger.core.decoding import Refusal
from zoneledger.core.validation import (
    content_of,
    parse_instant,
    read_message,
    snapshot_body,
    snapshot_from,
    unknown_fields,
)

AT_US = parse_instant("at", "2026-11-25T06:00:01Z")
PLACE = (1, 1, AT_US)

READ = [
    (
        activity("begin", "process", program="left", panel="p-1", planned={"automatic": 300, "manual": 0}),
        m.ActivityBegun(*PLACE, "1", "process", "left", "p-1", m.Planned(300, 0)),
    ),
    (activity("begin", "load"), m.ActivityBegun(*PLACE, "1", "load", None, None, None)),
    (activity("end", "unload", outcome="aborted"), m.ActivityEnded(*PLACE, "1", "unload", "aborted")),
    (activity("end", "setup"), m.ActivityEnded(*PLACE, "1", "setup", None)),
    (
        fastener(item="lb-8", position="7", panel="p-1", program="left", seconds=4),
        m.FastenerMade(*PLACE, "1", "fasten", "good", "lb-8", "7", "p-1", "left", 4.0),
    ),
    (
        fastener(operation="trim", result="rework"),
        m.FastenerMade(*PLACE, "1", "trim", "rework", None, None, None, None, None),
    ),
    (alarm("raise", "e-7"), m.AlarmRaised(*PLACE, None, "e-7", "stop")),
    (
        alarm("raise", "e-7", zone="2", severity="notice", subsystem="clamp", text="opens late"),
        m.AlarmRaised(*PLACE, "2", "e-7", "notice", "clamp", "opens late"),
    ),
    (alarm("clear", "e-7", zone="2"), m.AlarmCleared(*PLACE, "2", "e-7")),
    (message(), m.WaitBegun(*PLACE, "1", "panel")),
    (message(phase="end") | {"for": "operator"}, m.WaitEnded(*PLACE, "1", "operator")),
    (verdict(by="station-4"), m.VerdictGiven(*PLACE, "p-1", "1", "reject")),
    (verdict(zone="2"), m.VerdictGiven(*PLACE, "p-1", "1", "reject", "2")),
    (message(type="tool_changed", zone="2"), m.UnknownEvent(*PLACE, "tool_changed", "2")),
    (message(type="tool_changed", activity=7), m.UnknownEvent(*PLACE, "tool_changed")),
]


@pytest.mark.parametrize(("value", "expected"), READ)
def test_a_message_is_read_as_what_it_says(value: dict[str, Any], expected: m.Message) -> None:
    assert read_message(value) == expected


def test_a_snapshot_lists_zones_by_name_and_alarms_as_they_were_raised() -> None:
    alarms = [{"zone": "2", "code": "b", "severity": "notice"}, {"code": "a", "severity": "stop"}]
    zones = {"2": {"wait": "head", "made": 0}, "1": {"activity": "process", "program": "left", "panel": "p"}}
    assert read_message(snapshot(seq=0, second=1, zones=zones, alarms=alarms)) == m.Snapshot(
        1,
        0,
        AT_US,
        (("1", m.ZoneReport("process", "left", "p", None, None)), ("2", m.ZoneReport(None, None, None, "head", 0))),
        (m.ActiveAlarm("2", "b", "notice"), m.ActiveAlarm(None, "a", "stop")),
    )


@pytest.mark.parametrize(
    "value",
    [
        message(boot=0),
        message(boot=2**53 - 1, seq=2**53 - 1),
        snapshot(boot=0, seq=0),
        message(zone="z" * 40),
        message(zone="-"),
        message(type="t" * 200),
        alarm("raise", "c" * 200, text="t" * 1000, subsystem="s" * 200),
        alarm("raise", "\N{WRENCH}" * 200),
        alarm("raise", " "),
        fastener(seconds=0),
        fastener(seconds=86_400),
        fastener(seconds=-0.0),
        activity("begin", "process", planned={"automatic": 2**53 - 1, "manual": 0, "more": 1}),
        message(note={"a": [{"b": [{"c": [{}]}]}]}),
        snapshot(zones={}),
    ],
)
def test_the_utmost_that_is_allowed_is_read(value: dict[str, Any]) -> None:
    assert read_message(value)


INVALID: list[tuple[dict[str, Any], str]] = [
    (message(at=None), "at is missing"),
    (message(at="noon"), "at should be RFC 3339"),
    (message(at="2026-11-25T06:00:00.0000000Z"), "at should be given in microseconds at most"),
    (message(at="2026-02-30T06:00:00Z"), "at should be a date and time that exists"),
    (message(seq=0), "seq should be an integer from 1"),
    (message(boot=-1), "boot should be an integer from 0"),
    (message(zone="A"), 'zone should be a text such as "1", of 1 to 40 of'),
    (message(zone=""), 'zone should be a text such as "1", of 1 to 40 of'),
    (message(zone="1 "), 'zone should be a text such as "1", of 1 to 40 of'),
    (message(phase="raise"), "phase should be one of begin, end"),
    (message() | {"for": "lunch"}, "for should be one of panel"),
    (activity("begin", "rest"), "activity should be one of process"),
    (activity("begin", "process", planned=[]), "planned should be an object"),
    (activity("begin", "process", planned={"automatic": 1}), "manual is missing"),
    (activity("end", "process", outcome="fine"), "outcome should be one of completed, aborted"),
    (activity("end", "process", planned=7), "planned should be an object"),
    (activity("begin", "process", outcome="fine"), "outcome should be"),
    (fastener(operation="glue"), "operation should be one of"),
    (fastener(result="ok"), "result should be one of"),
    (fastener(seconds="4"), "seconds should be a number of seconds"),
    (fastener(seconds=86_400.001), "seconds should be a number of seconds"),
    (alarm("raise", ""), "code should be a text of 1 to 200"),
    (alarm("raise", "c", severity="high"), "severity should be one of stop, notice"),
    (alarm("raise", "c", text=""), "text should be a text of 1 to 1000"),
    (verdict(panel=None), "panel is missing"),
    (snapshot(zones=None), "zones is missing"),
    (snapshot(alarms={}), "alarms should be an array"),
    (snapshot(zones={"1": None}), "zones should be an object"),
    (snapshot(zones={"one two": {}}), "a zone's name should be"),
    (snapshot(zones={"1": {"wait": "process"}}), "wait should be one of"),
    (snapshot(seq=-1), "seq should be an integer from 0"),
]


@pytest.mark.parametrize(("value", "detail"), INVALID)
def test_a_refusal_names_the_field_and_what_would_be_right(value: dict[str, Any], detail: str) -> None:
    with pytest.raises(Refusal) as refusal:
        read_message(value)
    assert refusal.value.reason == ("field_missing" if detail.endswith("missing") else "field_invalid")
    assert refusal.value.detail.startswith(detail)


@pytest.mark.parametrize(
    ("text", "offset_us"),
    [
        ("2026-11-25T06:00:00Z", 0),
        ("2026-11-25t06:00:00z", 0),
        ("2026-11-25T06:00:00.000001Z", 1),
        ("2026-11-25T06:00:00.5Z", 500_000),
        ("2026-11-25T07:30:00+01:30", 0),
        ("2026-11-24T06:01:00-23:59", 0),
        ("2026-11-25T05:59:59.999999-00:00", -1),
    ],
)
def test_an_instant_is_exact_to_the_microsecond(text: str, offset_us: int) -> None:
    assert parse_instant("at", text) == 1_795_586_400_000_000 + offset_us


def test_the_first_and_the_last_instant_are_read() -> None:
    assert parse_instant("at", "0001-01-01T00:00:00+23:59") == -62_135_596_800_000_000 - 86_340_000_000
    assert parse_instant("at", "9999-12-31T23:59:59.999999-23:59") == 253_402_300_799_999_999 + 86_340_000_000


def test_unknown_fields_are_named_but_not_those_of_an_unknown_type() -> None:
    assert unknown_fields(message(colour="red", code="e-7")) == {"colour", "code"}
    assert unknown_fields(alarm("raise", "e-7")) == frozenset()
    assert unknown_fields(message(type="tool_changed", tool=7)) == frozenset()


@pytest.mark.parametrize(
    "same", [message() | {"at": "2026-11-25T07:00:01.0+01:00"}, dict(reversed(message().items())), message(note=1)]
)
def test_a_message_is_the_same_however_it_is_written(same: dict[str, Any]) -> None:
    assert content_of(same) == content_of(message())


@pytest.mark.parametrize("other", [message(second=2), message(zone="2"), message() | {"for": "tool"}, message(boot=2)])
def test_a_message_is_another_where_a_field_of_the_contract_differs(other: dict[str, Any]) -> None:
    assert content_of(other) != content_of(message())


def test_all_fields_of_an_unknown_type_count() -> None:
    assert content_of(message(type="tool_changed", tool=1)) != content_of(message(type="tool_changed", tool=2))


def test_a_snapshots_body_gives_it_back_at_any_instant() -> None:
    value = snapshot(
        zones={"2": {"made": 2**53 - 1}, "1": {"panel": "\N{WRENCH} \"'"}}, alarms=[{"code": "a", "severity": "stop"}]
    )
    read = read_message(value)
    assert isinstance(read, m.Snapshot)
    assert snapshot_from(snapshot_body(value), read.boot, read.seq, read.at_us) == read
    assert snapshot_body(value | {"at": "2026-11-25T09:00:00Z", "note": 1}) == snapshot_body(value)
