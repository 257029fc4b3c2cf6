"""Cases worked by hand for what the oracle counts: fasteners, verdicts on them, and missing events."""

from tests.oracle.ledger import Fastener, derive
from tests.oracle.written import at_us, begin, end, fastener, snapshot, verdict


def test_a_fastener_has_its_own_program_and_panel_or_those_of_the_activity_at_its_place() -> None:
    messages = [
        snapshot(0, 0, {"1": {"activity": "load", "panel": "pn-0"}, "2": {}}),
        begin(1, 1, "process", program="skin-left", panel="pn-1"),
        fastener(2, 2),
        fastener(3, 3, program="skin-right"),
        fastener(4, 4, zone="2"),
        begin(5, 5, "process", program="skin-right"),
        fastener(6, 6),
        end(7, 7, "process"),
        fastener(8, 8),
        begin(9, 9, "process", panel="pn-1"),
        fastener(10, 10, panel="pn-2"),
        fastener(1, 11, boot=2),
    ]
    made = {(f.boot, f.seq): (f.program, f.panel) for f in derive(messages).fasteners}
    assert made == {
        (1, 2): ("skin-left", "pn-1"),
        (1, 3): ("skin-right", "pn-1"),
        (1, 4): (None, None),
        (1, 6): ("skin-right", None),
        (1, 8): (None, None),
        (1, 10): (None, "pn-2"),
        (2, 1): (None, None),
    }


def test_a_fastener_carries_all_that_was_said_of_it() -> None:
    made = fastener(
        1, 2.5, zone="2", boot=7, operation="drill", result="rework", item="lb-8", position="r1", panel="pn-1"
    )
    expected = Fastener(at_us(2.5), "2", "drill", "rework", "rework", None, "pn-1", "lb-8", "r1", 7, 1)
    assert derive([made]).fasteners == [expected]


def test_a_snapshot_sets_the_program_of_the_fasteners_after_it() -> None:
    listed = {"1": {"activity": "process", "program": "skin-left", "panel": "pn-1"}}
    messages = [fastener(1, 1), snapshot(1, 2, listed), fastener(2, 3), snapshot(2, 4, {}), fastener(3, 5)]
    assert [f.panel for f in derive(messages).fasteners] == [None, "pn-1", None]


def test_a_verdict_falls_on_the_last_fastener_made_there_before_it_and_the_last_verdict_holds() -> None:
    messages = [
        fastener(1, 1, panel="pn-1", position="r1"),
        fastener(2, 2, panel="pn-1", position="r1"),
        verdict(3, 3, "pn-1", "r1", "reject"),
        fastener(4, 4, panel="pn-1", position="r1"),
        verdict(1, 5, "pn-1", "r1", "reject", boot=2),
        verdict(2, 6, "pn-1", "r1", "rework", boot=2),
        verdict(3, 7, "pn-1", "r2", "reject", boot=2),
        verdict(4, 8, "pn-2", "r1", "reject", boot=2),
        fastener(5, 9, boot=2, panel="pn-1", position="r1"),
    ]
    made = [(f.boot, f.seq, f.first_result, f.result) for f in derive(reversed(messages)).fasteners]
    assert made == [(1, 1, "good", "good"), (1, 2, "good", "reject"), (1, 4, "good", "rework"), (2, 5, "good", "good")]


def test_a_verdict_finds_a_fastener_by_the_panel_of_its_activity() -> None:
    messages = [
        begin(1, 1, "process", panel="pn-1"),
        fastener(2, 2, position="r1"),
        verdict(3, 3, "pn-1", "r1", "reject"),
    ]
    assert [f.result for f in derive(messages).fasteners] == ["reject"]


def test_missing_events_are_those_below_what_events_and_snapshots_show() -> None:
    messages = [fastener(3, 0), fastener(4, 1), fastener(7, 2), snapshot(9, 3, {"1": {}})]
    messages += [fastener(2, 4, boot=5), snapshot(0, 5, {"1": {}}, boot=6), fastener(1, 6, boot=6)]
    assert derive(messages).gaps == [(1, 1, 2), (1, 5, 6), (1, 8, 9), (5, 1, 1)]
