"""Panel passes, put together from a zone's activities as messages tell them."""

from typing import Any

import pytest

from tests.contract.payloads import activity, snapshot
from tests.unit.core.shown import book, second, us
from zoneledger.core.passes import Pass, counted, passes_of

Message = dict[str, Any]


def _passes(*messages: Message) -> list[Pass]:
    return passes_of(book(snapshot(), *messages).booked.activities)


def _shown(*messages: Message) -> list[tuple[int, int, str | None, str, bool, bool]]:
    found = _passes(*messages)
    return [(second(p.start_us), second(p.end_us), p.panel, p.outcome, p.load_seen, p.unload_seen) for p in found]


def _run(
    first: int, begin: int, panel: str | None = "p-1", outcome: str | None = "completed", **told: Any
) -> list[Message]:
    """Return a whole pass from load to unload in 100 s, from event `first` on."""
    steps = (("load", 0, 20), ("process", 30, 70), ("unload", 80, 100))
    found: list[Message] = []
    for number, (name, start, end) in enumerate(steps):
        seq = first + 2 * number
        found.append(activity("begin", name, seq, begin + start, panel=panel, **told))
        found.append(activity("end", name, seq + 1, begin + end, outcome=outcome if name == "process" else None))
    return found


def test_a_pass_reaches_from_the_begin_of_the_load_to_the_end_of_the_unload() -> None:
    (one,) = _passes(*_run(1, 10, program="skin", planned={"automatic": 40, "manual": 2}))
    assert (second(one.start_us), second(one.end_us), one.zone) == (10, 110, "1")
    assert (one.panel, one.program, one.automatic, one.manual, one.outcome) == ("p-1", "skin", 40, 2, "completed")
    assert one.floor_to_floor_us == 100_000_000


@pytest.mark.parametrize("panels", [("p-1", "p-2"), (None, None), ("p-1", "p-1")])
def test_passes_follow_each_other_whatever_their_panels_are_called(panels: tuple[str | None, str | None]) -> None:
    found = _shown(*_run(1, 10, panels[0]), *_run(7, 200, panels[1], "aborted"))
    assert found == [(10, 110, panels[0], "completed", True, True), (200, 300, panels[1], "aborted", True, True)]


def test_a_pass_without_unload_ends_with_its_last_activity_and_is_not_whole() -> None:
    (first, second_) = _passes(*_run(1, 10)[:4], *_run(5, 200, "p-2"))
    assert first.is_over
    assert (second(first.end_us), first.is_whole, first.floor_to_floor_us) == (80, False, None)
    assert second_.is_whole


def test_a_pass_whose_load_was_not_told_is_not_whole() -> None:
    process = activity("begin", "process", 1, 40, panel="p-1"), activity("end", "process", 2, 70, outcome="completed")
    unload = activity("begin", "unload", 3, 80), activity("end", "unload", 4, 100)
    assert _shown(*process, *unload) == [(40, 100, "p-1", "completed", False, True)]


def test_another_panel_is_another_pass_though_no_load_was_told() -> None:
    processes = [activity("begin", "process", 1, 10, panel="p-1"), activity("begin", "process", 2, 50, panel="p-2")]
    found = _shown(*processes, activity("end", "process", 3, 90))
    assert found == [(10, 50, "p-1", "ended", False, False), (50, 90, "p-2", "present", False, False)]


def test_of_panels_without_a_name_each_process_is_a_pass_where_nothing_else_is_told() -> None:
    twice = [activity(phase, "process", seq, 10 * seq) for seq, phase in enumerate(("begin", "end", "begin", "end"), 1)]
    assert [one[:2] for one in _shown(*twice)] == [(10, 20), (30, 40)]


def test_a_panel_that_is_worked_twice_before_its_unload_is_one_pass_with_the_last_outcome() -> None:
    steps = [("begin", None), ("end", "aborted"), ("begin", None), ("end", "completed")]
    twice = [activity(phase, "process", i, 10 * i, panel="p-1", outcome=how) for i, (phase, how) in enumerate(steps, 1)]
    unload = [activity("begin", "unload", 5, 50), activity("end", "unload", 6, 60)]
    assert _shown(*twice, *unload) == [(10, 60, "p-1", "completed", False, True)]


def test_a_setup_between_passes_is_of_none_of_them() -> None:
    setup = [activity("begin", "setup", 7, 120), activity("end", "setup", 8, 150)]
    found = _shown(*_run(1, 10), *setup, *_run(9, 200, "p-2"))
    assert [one[:2] for one in found] == [(10, 110), (200, 300)]


def test_a_pass_through_a_new_boot_is_one_where_the_snapshot_tells_of_the_same_panel() -> None:
    zones = {"1": {"activity": "process", "panel": "p-1"}, "2": {}}
    again = [snapshot(0, 60, boot=2, zones=zones), activity("end", "process", 1, 90, 2, outcome="completed")]
    unload = [activity("begin", "unload", 2, 95, 2), activity("end", "unload", 3, 99, 2)]
    assert _shown(*_run(1, 10)[:3], *again, *unload) == [(10, 99, "p-1", "completed", True, True)]


def test_a_process_whose_end_was_lost_is_unfinished_once_another_panel_comes() -> None:
    lost = [*_run(1, 10)[:3], snapshot(0, 300, boot=2)]
    assert _shown(*lost) == [(10, 40, "p-1", "present", True, False)]
    another = activity("begin", "load", 1, 310, 2, panel="p-2"), activity("end", "load", 2, 320, 2)
    assert _shown(*lost, *another)[:1] == [(10, 40, "p-1", "unfinished", True, False)]


def test_an_unload_whose_end_was_lost_leaves_the_pass_open_at_its_end() -> None:
    (one,) = _passes(*_run(1, 10)[:5], snapshot(0, 300, boot=2))
    assert (one.outcome, one.is_over, one.is_whole) == ("present", False, False)


def test_a_panel_that_waits_for_the_head_is_present() -> None:
    assert _shown(*_run(1, 10)[:2]) == [(10, 30, "p-1", "present", True, False)]


def test_a_load_that_a_new_boot_tells_of_again_is_the_same_load() -> None:
    again = [snapshot(0, 60, boot=2), activity("begin", "load", 1, 61, 2, panel="p-1")]
    rest = [
        activity("end", "load", 2, 70, 2),
        activity("begin", "unload", 3, 80, 2),
        activity("end", "unload", 4, 90, 2),
    ]
    assert _shown(*_run(1, 10)[:1], *again, *rest) == [(10, 90, "p-1", "unfinished", True, True)]


def test_a_panel_loaded_in_two_goes_is_one_pass_and_two_without_names_are_two() -> None:
    def loads(panel: str | None) -> list[Message]:
        return [
            activity(phase, "load", seq, 10 * seq, panel=panel) for seq, phase in enumerate(("begin", "end") * 2, 1)
        ]

    assert [one[:2] for one in _shown(*loads("p-1"))] == [(10, 40)]
    assert [one[:2] for one in _shown(*loads(None))] == [(10, 20), (30, 40)]


def test_what_is_set_up_for_the_next_panel_does_not_lengthen_a_pass_without_unload() -> None:
    setup = [activity("begin", "setup", 5, 120), activity("end", "setup", 6, 150)]
    found = _shown(*_run(1, 10)[:4], *setup, *_run(7, 200, "p-2"))
    assert [one[:2] for one in found] == [(10, 80), (200, 300)]


def test_work_after_an_unload_is_another_pass_though_its_end_was_lost() -> None:
    lost = [*_run(1, 10)[:5], snapshot(5, 105)]
    found = _shown(*lost, activity("begin", "process", 6, 120), activity("end", "process", 7, 130))
    assert [one[:2] for one in found] == [(10, 105), (120, 130)]


def test_a_fastener_of_the_instant_in_which_a_pass_ends_is_counted_once() -> None:
    steps = (("p-1", 10, 50), ("p-2", 50, 90), ("p-3", 95, 99))
    told = [
        activity(phase, "process", 2 * n + (phase == "end") + 1, at, panel=panel)
        for n, (panel, *edges) in enumerate(steps)
        for phase, at in zip(("begin", "end"), edges, strict=True)
    ]
    edges = [((start - us(0)), (end - us(0))) for start, end in counted(_passes(*told))]
    assert edges == [(10_000_000, 50_000_000), (50_000_000, 90_000_001), (95_000_000, 99_000_001)]


def test_what_was_planned_for_the_next_panel_is_not_told_of_this_one() -> None:
    planned = {"automatic": 40, "manual": 2}
    setup = [activity("begin", "setup", 5, 120, program="spar", planned=planned), activity("end", "setup", 6, 150)]
    first = _passes(*_run(1, 10, program="skin")[:4], *setup, *_run(7, 200, "p-2"))[0]
    assert (first.program, first.planned) == ("skin", None)
