"""Which verdict holds for which fastener."""

from itertools import permutations

from tests.contract.rows import fastener, verdict
from zoneledger.core.verdicts import settle


def test_without_a_verdict_the_first_result_stands() -> None:
    assert settle([fastener(1, panel="p", position="1")], []) == {(1, 1): None}


def test_a_verdict_applies_to_the_last_fastener_made_there_before_it() -> None:
    made = [fastener(seq, panel="p", position="1") for seq in (1, 3, 7)]
    assert settle(made, [verdict(5, "p", "1", "rework")]) == {(1, 1): None, (1, 3): "rework", (1, 7): None}


def test_the_last_verdict_by_boot_and_seq_holds_whatever_order_they_come_in() -> None:
    made = [fastener(1, panel="p", position="1")]
    given = [
        verdict(9, "p", "1", "reject"),
        verdict(2, "p", "1", "rework", boot=2),
        verdict(3, "p", "1", "good", boot=2),
    ]
    for order in permutations(given):
        assert settle(made, order) == {(1, 1): "good"}


def test_each_of_two_fasteners_keeps_the_verdict_given_before_the_next_was_made() -> None:
    made = [fastener(1, panel="p", position="1"), fastener(3, panel="p", position="1")]
    given = [verdict(2, "p", "1", "reject"), verdict(4, "p", "1", "good")]
    assert settle(made, given) == {(1, 1): "reject", (1, 3): "good"}


def test_a_verdict_before_the_fastener_or_elsewhere_changes_nothing() -> None:
    made = [fastener(2, panel="p", position="1"), fastener(3, panel="p"), fastener(4, position="1")]
    given = [verdict(1, "p", "1"), verdict(9, "p", "2"), verdict(9, "q", "1")]
    assert settle(made, given) == {(1, 2): None, (1, 3): None, (1, 4): None}
