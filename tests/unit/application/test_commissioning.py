"""Each rule of the contract that can be judged has its finding, and a controller that keeps all of them has none."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from zoneledger.application.commissioning import judge, kept
from zoneledger.application.findings import CODES, Finding
from zoneledger.application.hearing import DISCREPANCIES, Hearing, Standing
from zoneledger.application.made import Made
from zoneledger.application.refusal_findings import REMEDIES
from zoneledger.application.stored import Listed, RefusedRow, Unmatched
from zoneledger.core.hearing import Heard
from zoneledger.core.messages import Snapshot, ZoneReport
from zoneledger.core.rows import Discrepancy, Gap, Place, Verdict

CELL = "harbour/wing-1/cell-1"
SECOND_US, MINUTE_US, HOUR_US = 1_000_000, 60_000_000, 3_600_000_000
END_US = 500 * HOUR_US
START_US = END_US - HOUR_US
REPORT = ZoneReport(None, None, None, None, 7)


def snapshots(every_s: float = 10, start_us: int = START_US - 5 * SECOND_US, end_us: int = END_US) -> list[Heard]:
    """Return snapshots by a timer."""
    return [Heard(1, 0, at, None, "snapshot") for at in range(start_us, end_us, round(every_s * SECOND_US))]


def event(at_us: int, *, boot: int = 1, seq: int = 5, late_us: int = 0, kind: str = "wait") -> Heard:
    """Return an event."""
    return Heard(boot, seq, at_us, at_us + late_us, kind)


def condition(**zones: ZoneReport) -> Snapshot:
    """Return a snapshot with what it tells."""
    return Snapshot(1, 0, END_US - SECOND_US, tuple(sorted(zones.items())), ())


def hearing(**changes: Any) -> Hearing:
    """Return what was heard of a cell whose controller keeps the contract, but for the changes."""
    good = Hearing(
        cell=CELL,
        zones=("1", "2"),
        start_us=START_US,
        end_us=END_US,
        clock_us=-20_000,
        present_clock_us=-20_000,
        told=_sorted([*snapshots(), *(event(START_US + n * MINUTE_US, seq=n) for n in range(1, 60))]),
        is_cut=False,
        boots=1,
        conditions=[condition(**{"1": REPORT, "2": REPORT})],
        refused=[],
        gaps=[],
        discrepancies={kind: [] for kind in DISCREPANCIES},
        alarms=[],
        zones_told=frozenset({"1", "2"}),
        unmatched=[],
        made=Made(40, {}, 0),
        unseen={},
        counts={"events": 59, "snapshots": 360},
        link="up",
        link_us=START_US - HOUR_US,
        link_down_us=START_US - HOUR_US,
        strangers=[],
        listens=True,
        silence_us=30 * SECOND_US,
    )
    return replace(good, **changes)


def _sorted(told: list[Heard]) -> list[Heard]:
    return sorted(told, key=lambda one: one.at_us)


def discrepancies(kind: str, detail: str = "what does not fit") -> dict[str, list[Discrepancy]]:
    """Return two discrepancies of a kind, the last one first."""
    rows = [Discrepancy(Place(1, seq, 0), 0, START_US + seq, kind, "1", detail, 2) for seq in (9, 8)]
    return {each: rows if each == kind else [] for each in DISCREPANCIES}


def one_discrepancy(kind: str, detail: str = "what does not fit") -> dict[str, list[Discrepancy]]:
    """Return one discrepancy of a kind."""
    return {each: rows[:1] for each, rows in discrepancies(kind, detail).items()}


def refused(reason: str) -> list[Listed[RefusedRow]]:
    """Return two refused messages, the last one first."""
    rows = [RefusedRow(CELL, "http", START_US + n, 0, reason, "why", b"{}", 2) for n in (9, 8)]
    return [Listed(n, CELL, row) for n, row in enumerate(rows)]


_LONG = [*snapshots(end_us=START_US + 10 * MINUTE_US), *snapshots(start_us=START_US + 10 * MINUTE_US + 31 * SECOND_US)]

#: What each finding is found in, by its code.
BROKEN: dict[str, dict[str, Any]] = {
    "nothing_came": {"told": [], "conditions": []},
    "cell_misnamed": {"told": [], "conditions": [], "strangers": [("harbour/wing-1/cel-1", 9)]},
    "not_all_read": {"is_cut": True},
    "events_missing": {"gaps": [Gap(Place(1, 9, 0), 5, 8, START_US, START_US + 1)]},
    "boot_fell": {"told": _sorted([*snapshots(), event(START_US + 5, boot=9), event(START_US + 9, boot=2)])},
    "restarts_often": {"boots": 6},
    "snapshots_none": {"told": [event(START_US + n * MINUTE_US) for n in range(1, 60)], "conditions": []},
    "snapshots_rare": {"told": _LONG},
    "snapshot_late_after_start": {
        "told": _sorted([*snapshots(end_us=START_US), event(START_US, boot=2, seq=1)])
        + [Heard(2, 1, at, None, "snapshot") for at in range(START_US + 9 * SECOND_US, END_US, 10 * SECOND_US)]
    },
    "snapshot_differs": {"discrepancies": discrepancies("snapshot_differs")},
    "zones_never_told": {"zones_told": frozenset({"1"}), "conditions": [condition(**{"1": REPORT})]},
    "zones_unlisted": {"conditions": [condition(**{"1": REPORT}), condition(**{"1": REPORT, "2": REPORT})]},
    "made_absent": {"conditions": [condition(**{"1": REPORT, "2": ZoneReport(None, None, None, "head", None)})]},
    "made_differs": {"discrepancies": discrepancies("unseen"), "unseen": {"1": 4}},
    "clock_off": {"present_clock_us": 5 * SECOND_US + 1},
    "clock_drifts": {"present_clock_us": -SECOND_US - 1},
    "clock_not_believed": {"discrepancies": discrepancies("clock_not_believed")},
    "clock_back": {"discrepancies": discrepancies("clock_back")},
    "silent_now": {"told": snapshots(end_us=END_US - 31 * SECOND_US)},
    "arrived_late": {"told": _sorted([*snapshots(), event(START_US + 1, late_us=2 * MINUTE_US)])},
    "link_never_told": {"link": None, "link_us": None, "link_down_us": None},
    "link_down_while_sending": {"link": "down", "link_us": START_US},
    "activity_not_present": {"discrepancies": discrepancies("not_present", "load ended while no activity was present")},
    "wait_not_present": {
        "discrepancies": discrepancies("not_present", "wait for head ended while the wait was for tool")
    },
    "alarm_not_active": {"discrepancies": discrepancies("not_present", "alarm a cleared that was not active")},
    "alarm_never_cleared": {"alarms": [Standing("1", "clamp-force", "stop", START_US - SECOND_US)]},
    "verdicts_unmatched": {"unmatched": [Unmatched(Verdict(1, 2, "P-1", "7", "reject"), START_US, START_US)]},
    "panel_absent": {"made": Made(40, {}, 3)},
    "nothing_rated": {"made": Made(40, {"drill": 40}, 0)},
    "some_unrated": {"made": Made(40, {"drill": 1}, 0)},
    "unknown_fields": {"counts": {"unknown_field:shade": 3}},
    "unknown_types": {"told": _sorted([*snapshots(), event(START_US + 1, kind="own")])},
    "duplicates_many": {"counts": {"events": 1000, "duplicate": 100}},
    **{f"refused_{reason}": {"refused": refused(reason)} for reason in REMEDIES},
}
#: What is found beside it, as it follows from the same.
BESIDE = {
    "boot_fell": {"zones_unlisted"},
    "silent_now": {"snapshots_rare"},
    "snapshots_none": {"silent_now"},
    "cell_misnamed": {"nothing_came"},
}


def _judged(code: str) -> dict[str, Finding]:
    return {found.code: found for found in judge(hearing(**BROKEN[code]))}


def test_of_a_controller_that_keeps_the_contract_nothing_is_said() -> None:
    assert judge(hearing()) == []


def test_each_finding_that_there_can_be_is_tried() -> None:
    assert BROKEN.keys() == CODES.keys()


@pytest.mark.parametrize("code", BROKEN)
def test_what_breaks_a_rule_has_its_finding_and_no_other(code: str) -> None:
    found = _judged(code)
    assert code in found
    assert found.keys() - {code} <= BESIDE.get(code, set()), found
    finding = found[code]
    assert finding.severity == CODES[code]
    assert finding.first_us is None or finding.last_us is None or finding.first_us <= finding.last_us


@pytest.mark.parametrize("code", BROKEN)
def test_a_sentence_says_what_to_do_and_holds_nothing_that_a_terminal_acts_on(code: str) -> None:
    text = _judged(code)[code].text
    assert text.isprintable()
    assert len(text) > 60
    assert not text.endswith(".")


@pytest.mark.parametrize(
    ("code", "number"),
    [
        ("events_missing", 4),
        ("snapshots_rare", 36),
        ("refused_not_json", 2),
        ("some_unrated", 1),
        ("zones_unlisted", 1),
    ],
)
def test_a_finding_tells_its_number(code: str, number: float) -> None:
    found = _judged(code)[code]
    assert found.number == number
    assert f"{number}" in found.text


def _silent_from(us: int, refused_us: Sequence[int]) -> dict[str, Any]:
    rows = [RefusedRow(CELL, "http", at, 0, "ahead_of_clock", "why", b"{}", 2) for at in refused_us]
    return {"told": snapshots(end_us=us), "refused": [Listed(n, CELL, row) for n, row in enumerate(rows)]}


_SILENT_US = END_US - 10 * MINUTE_US
_BEFORE, _SINCE = _SILENT_US - MINUTE_US, (END_US - SECOND_US, END_US - 2 * SECOND_US)

#: What is told of one of each thing, and of several.
ONE_AND_MANY: list[tuple[dict[str, Any], str]] = [
    ({"gaps": [Gap(Place(1, 9, 0), 5, 5, START_US, START_US + 1)]}, "1 event is missing in 1 gap, boot 1 seq 5: "),
    (
        {"gaps": [Gap(Place(1, n, 0), 5, 8, START_US, START_US + 1) for n in (9, 8)]},
        "8 events are missing in 2 gaps, the last one boot 1 seq 5 to 8: ",
    ),
    ({"told": [], "conditions": [], "strangers": [("a/b/c", 1)]}, "1 message is refused of cells "),
    ({"refused": refused("not_json")[:1]}, "1 refused as not_json, because why: "),
    ({"refused": refused("not_json")}, "2 refused as not_json, the last one because why: "),
    (_silent_from(_SILENT_US, [_BEFORE]), "nothing came for 605.0 s, and the link was not told to be down: "),
    (_silent_from(_SILENT_US, [_BEFORE]), "snapshots came up to 605.0 s apart; "),
    (
        _silent_from(_SILENT_US, [*_SINCE[:1], _BEFORE]),
        "nothing was taken for 605.0 s, and the link was not told to be down: the cell is unknown; "
        "1 message came and was refused: mend that first; send ",
    ),
    (
        _silent_from(_SILENT_US, [*_SINCE, _BEFORE]),
        "nothing was taken for 605.0 s, and the link was not told to be down: the cell is unknown; "
        "2 messages came and were refused: mend that first; send ",
    ),
    (_silent_from(_SILENT_US, _SINCE), "snapshots were taken up to 605.0 s apart; "),
    (BROKEN["nothing_came"], "no message came in the time looked at, "),
    (
        {"told": [], "conditions": [], "refused": refused("not_json")},
        "no message was taken in the time looked at, so nothing else can be judged: 2 messages came and were refused; ",
    ),
    (BROKEN["snapshots_none"], "no snapshot came: "),
    (BROKEN["snapshots_none"] | {"refused": refused("not_json")}, "no snapshot was taken: "),
    (BROKEN["snapshot_late_after_start"], "after 1 start no snapshot came "),
    (
        {"zones_told": frozenset({"1"}), "conditions": [condition(**{"1": REPORT})]},
        "no message ever named zone 2, which ",
    ),
    ({"zones_told": frozenset(), "conditions": []}, "no message ever named zones 1, 2, which "),
    (BROKEN["zones_unlisted"], "1 of the last 2 snapshots left out zone 2: "),
    ({"conditions": [condition(**{"1": REPORT})]}, "the last snapshot left out zone 2: "),
    ({"discrepancies": one_discrepancy("clock_not_believed")}, "1 message has a time more than 60 s below "),
    ({"discrepancies": one_discrepancy("clock_back")}, "1 message has a time below that of the message before (what "),
    (BROKEN["clock_back"], "2 messages have a time below that of the message before (the last: what "),
    (BROKEN["arrived_late"], "1 event arrived more than a minute after having happened: "),
    (
        {"conditions": [condition(**{"1": ZoneReport(None, None, None, None, None), "2": REPORT})]},
        "1 of 2 reports on zones in the last snapshots has no made: ",
    ),
    (
        {"discrepancies": one_discrepancy("unseen"), "unseen": {"1": 4}},
        "made rose by another number than the fasteners received, 1 time (+4 in zone 1): ",
    ),
    (
        {"discrepancies": one_discrepancy("not_present", "load ended")},
        "1 activity ended that was not the present one (load ",
    ),
    (
        {"discrepancies": one_discrepancy("not_present", "wait for head")},
        "1 wait ended that was not the present one (wait ",
    ),
    (
        {"discrepancies": one_discrepancy("not_present", "alarm a")},
        "1 alarm was cleared that was not active (alarm a): ",
    ),
    (
        {"discrepancies": one_discrepancy("snapshot_differs")},
        "snapshots and events told different things 1 time (what ",
    ),
    (BROKEN["alarm_never_cleared"], "1 alarm was raised before the time looked at "),
    (BROKEN["verdicts_unmatched"], "1 verdict names a fastener that this cell never made, panel P-1 position 7: "),
    ({"made": Made(40, {}, 1)}, "of 40 fasteners 1 has no panel, "),
    ({"made": Made(1, {"drill": 1}, 0)}, "1 fastener has no standard (drill): "),
    ({"made": Made(40, {"drill": 1}, 0)}, "1 of 40 fasteners has no standard (drill): "),
    ({"made": Made(40, {"drill": 2}, 0)}, "2 of 40 fasteners have no standard (drill): "),
    (BROKEN["unknown_fields"], "1 field that the contract does not have "),
    (BROKEN["unknown_types"], "1 event is of types that the contract does not have, "),
]


@pytest.mark.parametrize(("changes", "told"), ONE_AND_MANY, ids=[told for _, told in ONE_AND_MANY])
def test_one_is_told_as_one_and_several_as_several(changes: dict[str, Any], told: str) -> None:
    assert [one.text for one in judge(hearing(**changes)) if one.text.startswith(told)] != []


def test_where_not_all_was_read_it_is_not_said_that_the_contract_was_kept() -> None:
    assert kept(judge(hearing())) is True
    assert kept(judge(hearing(is_cut=True))) is None
    assert kept(judge(hearing(is_cut=True, **BROKEN["events_missing"]))) is False
    assert kept(judge(hearing(made=Made(40, {}, 3)))) is True


def test_breaches_come_before_advice() -> None:
    found = judge(hearing(is_cut=True, gaps=BROKEN["events_missing"]["gaps"], made=Made(1, {"drill": 1}, 1)))
    severities = [one.severity for one in found]
    assert severities == sorted(severities, key=lambda one: one != "breach")
    assert len(set(severities)) == 2


def test_what_was_before_the_time_looked_at_is_no_finding() -> None:
    before = START_US - 1 + hearing().ahead_us
    told = _sorted([*snapshots(), event(before, boot=2), event(before - 5, boot=9), event(before - 6, kind="own")])
    gaps = [Gap(Place(1, 9, 0), 5, 8, None, before)]
    assert judge(hearing(told=told, gaps=gaps, link_us=END_US)) == []


def test_a_time_off_that_the_link_told_and_a_link_that_is_down_are_no_silence() -> None:
    apart = [*snapshots(end_us=START_US + 10 * MINUTE_US), *snapshots(start_us=START_US + 40 * MINUTE_US)]
    assert judge(hearing(told=apart, link_down_us=START_US + 12 * MINUTE_US)) == []
    gone = snapshots(end_us=START_US + 10 * MINUTE_US)
    assert judge(hearing(told=gone, link="down", link_us=END_US)) == []


def test_a_timer_that_is_a_little_slow_keeps_the_contract() -> None:
    assert judge(hearing(told=snapshots(every_s=10.9))) == []
    assert [one.code for one in judge(hearing(told=snapshots(every_s=11.1)))] == ["snapshots_rare"]


def test_without_a_broker_nobody_misses_the_link() -> None:
    assert judge(hearing(link=None, link_us=None, link_down_us=None, listens=False)) == []


def test_a_clock_that_is_hours_off_is_the_only_finding_of_one_that_sends_well() -> None:
    off_us = -HOUR_US
    told = [one._replace(at_us=one.at_us + off_us) for one in hearing().told]
    (found,) = judge(hearing(told=told, clock_us=off_us, present_clock_us=off_us))
    assert (found.code, found.number) == ("clock_off", -3600.0)


@pytest.mark.parametrize("name", ["\x1b[31mred", "two\nlines", "bell\x07", "x" * 5000])
def test_hostile_names_are_shown_harmlessly_and_shortened(name: str) -> None:
    makes: list[Callable[[], dict[str, Any]]] = [
        lambda: {"alarms": [Standing("", name, "stop", None)]},
        lambda: {"counts": {f"unknown_field:{name}": 1}},
        lambda: {"told": _sorted([*snapshots(), event(START_US + 1, kind=name)])},
        lambda: {"made": Made(1, {name: 1}, 0)},
        lambda: {"unmatched": [Unmatched(Verdict(1, 2, name, name, "good"), START_US, START_US)]},
    ]
    for make in makes:
        (found,) = judge(hearing(**make()))
        assert found.text.isprintable()
        assert len(found.text) < 700
