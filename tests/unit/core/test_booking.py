"""How a cell's messages become booked time, case by case; seconds are counted from the first snapshot on."""

from tests.contract.payloads import activity, alarm, fastener, message, snapshot
from tests.unit.core.shown import book, rows_of, second, spans_of
from zoneledger.core.validation import read_message

SILENCE = ("unknown", "silence")


def test_before_the_first_snapshot_nothing_is_known() -> None:
    booking = book(activity("begin", "process", 1, 0), message(2, 5), snapshot(2, 20))
    assert spans_of(booking, "1", until=25) == [(20, 25, "idle", "unexplained")]


def test_a_zone_runs_from_the_begin_of_a_process_to_its_end() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5), activity("end", "process", 2, 9))
    assert spans_of(booking, "1", until=12) == [
        (0, 5, "idle", "unexplained"),
        (5, 9, "running", "process"),
        (9, 12, "idle", "unexplained"),
    ]


def test_a_begin_ends_the_activity_before_it() -> None:
    booking = book(snapshot(0, 0), activity("begin", "load", 1, 0), activity("begin", "process", 2, 7))
    assert spans_of(booking, "1", until=9) == [(0, 7, "changeover", "load"), (7, 9, "running", "process")]
    assert rows_of(booking).discrepancies == []


def test_the_end_of_an_activity_that_is_not_the_present_one_changes_nothing_and_is_a_discrepancy() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 0), activity("end", "load", 2, 4))
    assert spans_of(booking, "1", until=9) == [(0, 9, "running", "process")]
    assert [(row.kind, row.zone) for row in rows_of(booking).discrepancies] == [("not_present", "1")]


def test_a_wait_makes_a_running_zone_idle_until_it_ends() -> None:
    waits = [message(2, 3) | {"for": "tool"}, message(3, 8, phase="end") | {"for": "tool"}]
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 0), *waits)
    assert spans_of(booking, "1", until=9) == [
        (0, 3, "running", "process"),
        (3, 8, "idle", "tool"),
        (8, 9, "running", "process"),
    ]


def test_the_end_of_a_wait_for_something_else_changes_nothing_and_is_a_discrepancy() -> None:
    booking = book(snapshot(0, 0), message(1, 0), message(2, 5, phase="end") | {"for": "tool"})
    assert spans_of(booking, "1", until=9) == [(0, 9, "idle", "panel")]
    assert [row.kind for row in rows_of(booking).discrepancies] == ["not_present"]


def test_a_stop_alarm_of_the_cell_faults_every_zone() -> None:
    booking = book(snapshot(0, 0), alarm("raise", "e-7", 1, 4), alarm("clear", "e-7", 2, 6))
    for zone in ("1", "2", ""):
        assert (4, 6, "fault", "e-7") in spans_of(booking, zone, until=9)


def test_a_stop_alarm_of_a_zone_faults_it_alone_while_its_cell_runs_on() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 0, zone="2"), alarm("raise", "e-7", 2, 0, zone="1"))
    assert spans_of(booking, "1", until=9) == [(0, 9, "fault", "e-7")]
    assert spans_of(booking, "2", until=9) == [(0, 9, "running", "process")]
    assert spans_of(booking, "", until=9) == [(0, 9, "running", "process")]


def test_a_notice_faults_nothing() -> None:
    booking = book(snapshot(0, 0), alarm("raise", "e-7", 1, 4, severity="notice"))
    assert spans_of(booking, "1", until=9) == [(0, 9, "idle", "unexplained")]


def test_a_fault_is_for_the_first_raised_of_the_active_stop_alarms() -> None:
    alarms = [alarm("raise", "b", 1, 0), alarm("raise", "a", 2, 1, zone="1"), alarm("clear", "b", 3, 5)]
    booking = book(snapshot(0, 0), *alarms)
    assert spans_of(booking, "1", until=9) == [(0, 5, "fault", "b"), (5, 9, "fault", "a")]


def test_an_alarm_raised_again_keeps_its_place_and_takes_the_new_severity() -> None:
    alarms = [alarm("raise", "a", 1, 0, severity="notice"), alarm("raise", "b", 2, 2), alarm("raise", "a", 3, 5)]
    booking = book(snapshot(0, 0), *alarms)
    assert spans_of(booking, "1", until=9) == [
        (0, 2, "idle", "unexplained"),
        (2, 5, "fault", "b"),
        (5, 9, "fault", "a"),
    ]


def test_an_alarm_is_named_by_zone_and_code_and_clearing_one_that_is_not_active_is_a_discrepancy() -> None:
    booking = book(snapshot(0, 0), alarm("raise", "a", 1, 0, zone="1"), alarm("clear", "a", 2, 4))
    assert spans_of(booking, "1", until=9) == [(0, 9, "fault", "a")]
    assert [row.detail for row in rows_of(booking).discrepancies] == ["alarm a cleared that was not active"]


def test_a_fault_comes_before_a_wait_a_wait_before_an_activity() -> None:
    events = [activity("begin", "load", 1, 1), message(2, 2), alarm("raise", "e-7", 3, 3, zone="1")]
    booking = book(snapshot(0, 0), *events)
    assert [span[2:] for span in spans_of(booking, "1", until=9)] == [
        ("idle", "unexplained"),
        ("changeover", "load"),
        ("idle", "panel"),
        ("fault", "e-7"),
    ]


def test_a_cell_is_in_changeover_while_one_zone_loads_and_the_other_waits_for_it() -> None:
    booking = book(snapshot(0, 0), activity("begin", "load", 1, 0), message(2, 0, zone="2") | {"for": "panel"})
    assert spans_of(booking, "", until=9) == [(0, 9, "changeover", "load")]


def test_evidence_reaches_30_s_past_the_last_message() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5))
    assert spans_of(booking, "1", until=60) == [
        (0, 5, "idle", "unexplained"),
        (5, 35, "running", "process"),
        (35, 60, *SILENCE),
    ]
    assert spans_of(booking, "1", until=20)[-1] == (5, 20, "running", "process")


def test_a_link_that_goes_down_ends_the_evidence_there() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5))
    assert spans_of(booking, "1", until=60, link_down=12)[1:] == [(5, 12, "running", "process"), (12, 60, *SILENCE)]
    assert spans_of(booking, "1", until=60, link_down=4)[1][1] == 35
    assert spans_of(booking, "1", until=60, link_down=50)[1][1] == 35


def test_equal_snapshots_in_between_change_nothing_in_the_ledger() -> None:
    held = {"1": {"activity": "process"}}
    few = book(snapshot(0, 0, zones=held), snapshot(0, 60, zones=held))
    many = book(*(snapshot(0, at, zones=held) for at in range(0, 61, 10)))
    assert spans_of(few, "1", until=70) == spans_of(many, "1", until=70) == [(0, 70, "running", "process")]


def test_a_clock_that_comes_back_in_silence_is_believed_from_its_first_credible_snapshot_on() -> None:
    held = {"1": {"activity": "process"}}
    back = [snapshot(1, at, zones=held) for at in (110, 120, 150, 230)]
    booking = book(snapshot(0, 0, zones=held), message(1, 200, type="coolant"), *back)
    assert spans_of(booking, "1", until=240) == [(0, 240, "running", "process")]
    late = book(snapshot(0, 0, zones=held), message(1, 200, type="coolant"), back[0], back[-1])
    assert (200, 230, "unknown", "clock") in spans_of(late, "1", until=240)


def test_between_two_messages_without_a_gap_all_is_known_however_long_it_was() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5), fastener(2, 3600))
    assert spans_of(booking, "1", until=3600)[1] == (5, 3600, "running", "process")


def test_after_a_gap_the_cell_is_unknown_from_the_last_proof_to_the_next_snapshot() -> None:
    events = [activity("begin", "process", 1, 5), snapshot(1, 20, zones={"1": {"activity": "process"}})]
    later = [fastener(3, 40), snapshot(3, 50, zones={"1": {"activity": "process"}})]
    booking = book(snapshot(0, 0, zones={"1": {}}), *events, *later)
    assert spans_of(booking, "1", until=55) == [
        (0, 5, "idle", "unexplained"),
        (5, 20, "running", "process"),
        (20, 50, "unknown", "gap"),
        (50, 55, "running", "process"),
    ]
    (gap,) = rows_of(booking).gaps
    assert (gap.first_seq, gap.last_seq, second(gap.since_us or 0), second(gap.until_us)) == (2, 2, 20, 40)


def test_a_snapshot_that_shows_the_gap_ends_it_at_once() -> None:
    booking = book(snapshot(0, 0), snapshot(2, 10))
    assert spans_of(booking, "1", until=15) == [(10, 15, "idle", "unexplained")]
    assert [(row.first_seq, row.last_seq) for row in rows_of(booking).gaps] == [(1, 2)]


def test_a_reboot_ends_all_that_held_and_is_unknown_until_a_snapshot() -> None:
    before = [snapshot(0, 0), alarm("raise", "e-7", 1, 2), message(2, 2), activity("begin", "process", 3, 2)]
    booking = book(*before, message(1, 60, boot=2) | {"for": "tool"}, snapshot(1, 70, boot=2))
    assert spans_of(booking, "1", until=75) == [
        (0, 2, "idle", "unexplained"),
        (2, 70, "unknown", "reboot"),
        (70, 75, "idle", "unexplained"),
    ]
    assert rows_of(booking).gaps == []


def test_a_new_boot_that_does_not_begin_with_its_first_event_misses_the_lower_ones() -> None:
    booking = book(snapshot(0, 0), message(3, 10, boot=2))
    assert [(row.place.boot, row.first_seq, row.last_seq) for row in rows_of(booking).gaps] == [(2, 1, 2)]


def test_a_first_boot_joined_in_its_midst_misses_what_came_before_it() -> None:
    booking = book(message(5, 10), snapshot(5, 20))
    (gap,) = rows_of(booking).gaps
    assert (gap.first_seq, gap.last_seq, gap.since_us) == (1, 4, None)
    assert spans_of(booking, "1", until=25) == [(20, 25, "idle", "unexplained")]


def test_a_snapshot_that_disagrees_wins_from_its_time_on_and_is_a_discrepancy() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5), snapshot(1, 9, zones={"1": {}, "2": {}}))
    assert spans_of(booking, "1", until=12)[1:] == [(5, 9, "running", "process"), (9, 12, "idle", "unexplained")]
    (row,) = rows_of(booking).discrepancies
    assert row.kind == "snapshot_differs"
    assert row.detail == "zone 1: activity is none in the snapshot, process by the events"


def test_a_snapshot_after_a_gap_contradicts_nothing() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5), snapshot(3, 9))
    assert rows_of(booking).discrepancies == []


def test_a_zone_that_a_snapshot_does_not_list_is_unknown_until_one_does() -> None:
    booking = book(snapshot(0, 0), snapshot(0, 10, zones={"2": {}}), message(1, 15), snapshot(1, 20, zones={"1": {}}))
    assert spans_of(booking, "1", until=22) == [
        (0, 10, "idle", "unexplained"),
        (10, 20, "unknown", "not_reported"),
        (20, 22, "idle", "unexplained"),
    ]
    assert spans_of(booking, "", until=22) == [(0, 22, "idle", "unexplained")]


def test_a_time_slightly_below_the_one_before_is_booked_there_and_flagged() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 20), fastener(2, 10), fastener(3, 25))
    assert [second(row.at_us) for row in rows_of(booking).fasteners] == [20, 25]
    assert [row.kind for row in rows_of(booking).discrepancies] == ["clock_back"]
    assert spans_of(booking, "1", until=30) == [(0, 20, "idle", "unexplained"), (20, 30, "running", "process")]


def test_a_clock_more_than_60_s_back_is_not_believed_until_it_is_credible_again() -> None:
    events = [activity("begin", "process", 1, 100), fastener(2, 39), fastener(3, 120)]
    booking = book(snapshot(0, 0), *events)
    assert spans_of(booking, "1", until=130)[1:] == [(100, 120, "unknown", "clock"), (120, 130, "running", "process")]
    assert [row.kind for row in rows_of(booking).discrepancies] == ["clock_not_believed"]


def test_a_clock_exactly_60_s_back_is_believed() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 100), fastener(2, 40))
    assert spans_of(booking, "1", until=110)[-1] == (100, 110, "running", "process")


def test_a_clock_that_was_never_set_is_not_believed() -> None:
    booking = book(snapshot(0, 0) | {"at": "1970-01-01T00:00:10Z"}, message(1, 5), snapshot(1, 10))
    assert spans_of(booking, "1", until=12) == [(5, 10, "idle", "panel"), (10, 12, "idle", "unexplained")]
    assert rows_of(booking).discrepancies[0].kind == "clock_not_believed"


def test_an_event_of_an_unknown_type_has_its_place_and_no_other_effect() -> None:
    booking = book(snapshot(0, 0), activity("begin", "process", 1, 5), message(2, 8, type="coolant"), fastener(3, 9))
    assert spans_of(booking, "1", until=12)[1:] == [(5, 12, "running", "process")]
    assert rows_of(booking).gaps == []


def test_a_fastener_takes_program_and_panel_from_its_zones_activity_unless_it_has_its_own() -> None:
    begin = activity("begin", "process", 1, 1, program="left", panel="p-1")
    made = [fastener(2, 2), fastener(3, 3, program="right", panel="p-2"), fastener(4, 4, zone="2")]
    again = [activity("begin", "process", 5, 5), fastener(6, 6)]
    booking = book(snapshot(0, 0), begin, *made, *again)
    assert [(row.program, row.panel) for row in rows_of(booking).fasteners] == [
        ("left", "p-1"),
        ("right", "p-2"),
        (None, None),
        (None, None),
    ]


def _unseen(*messages: dict[str, object]) -> list[tuple[str, int]]:
    return [(row.zone, row.unseen) for row in rows_of(book(*messages)).discrepancies if row.kind == "unseen"]


def _made(seq: int, at: int, made: int | None, boot: int = 1) -> dict[str, object]:
    zones = {"1": {} if made is None else {"made": made}}
    return snapshot(seq, at, boot, zones=zones)


def test_fasteners_that_a_snapshot_counts_beyond_those_received_are_unseen() -> None:
    assert _unseen(_made(0, 0, 0), fastener(1, 1), fastener(2, 2), _made(2, 3, 2)) == []
    assert _unseen(_made(0, 0, 0), fastener(1, 1), _made(2, 3, 2)) == [("1", 1)]
    assert _unseen(_made(0, 0, 0), fastener(1, 1), _made(1, 3, 0)) == [("1", -1)]


def test_unseen_fasteners_are_told_once_and_not_with_every_snapshot() -> None:
    assert _unseen(_made(0, 0, 0), _made(3, 5, 3), _made(3, 15, 3), fastener(4, 20), _made(4, 25, 4)) == [("1", 3)]


def test_of_a_first_boot_joined_in_its_midst_the_fasteners_before_are_not_unseen() -> None:
    assert _unseen(_made(500, 0, 480), fastener(501, 5), _made(501, 9, 481)) == []
    assert _unseen(_made(500, 0, 480), _made(502, 9, 482)) == [("1", 2)]


def test_a_first_boot_known_from_its_start_counts_from_nothing() -> None:
    assert _unseen(fastener(1, 0), _made(1, 5, 3)) == [("1", 2)]


def test_a_reboot_sets_the_count_back() -> None:
    assert _unseen(_made(0, 0, 0), fastener(1, 1), _made(1, 2, 1), _made(0, 60, 0, boot=2)) == []
    assert _unseen(_made(0, 0, 0), _made(0, 60, 2, boot=2)) == [("1", 2)]


def test_a_later_boot_joined_in_its_midst_counts_from_nothing() -> None:
    assert _unseen(_made(0, 0, 0), fastener(3, 60, boot=2), _made(3, 70, 3, boot=2)) == [("1", 2)]


def test_a_snapshot_that_tells_no_count_leaves_nothing_to_compare_with() -> None:
    assert _unseen(_made(0, 0, 0), _made(0, 5, None), fastener(1, 6), _made(1, 10, 7)) == []
    assert _unseen(_made(0, 0, 0), _made(0, 5, None), _made(1, 10, 7), _made(2, 20, 8)) == [("1", 1)]


def test_a_booking_goes_on_from_its_state_as_if_it_had_never_stopped() -> None:
    messages = [snapshot(0, 0), activity("begin", "process", 1, 5), alarm("raise", "e-7", 2, 9), _made(4, 20, 3)]
    messages += [fastener(1, 70, boot=2), _made(1, 80, 5, boot=2)]
    whole = book(*messages)
    for cut in range(len(messages)):
        first = book(*messages[:cut])
        rest = type(first).from_json(first.to_json())
        rest.booked = first.take_booked()
        for value in messages[cut:]:
            rest.add(read_message(value))
        assert rest.to_json() == whole.to_json()
        assert rest.booked == whole.booked
