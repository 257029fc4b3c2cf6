"""What a reader of figures is told before quoting them."""

import re

import pytest

from zoneledger.core.figures import Account, figures_of
from zoneledger.core.warnings import Kind, Warning, failure_warnings, warnings_of


def _codes(
    account: Account, level: str = "cell", unrated: frozenset[Kind] = frozenset(), stage: str = "settled"
) -> list[str]:
    return [one.code for one in _warnings(account, level, unrated, stage)]


def _warnings(
    account: Account, level: str = "cell", unrated: frozenset[Kind] = frozenset(), stage: str = "settled"
) -> list[Warning]:
    return warnings_of(level, account, figures_of(account), unrated, stage)


def _plain() -> Account:
    return Account(planned_us=10, running_us=10, made=1, good=1, standard_us=8, good_standard_us=8)


def test_plain_figures_need_no_warning() -> None:
    assert _codes(_plain()) == []


def test_each_thing_to_know_has_its_code() -> None:
    account = Account(
        planned_us=10,
        running_us=5,
        unknown_us=5,
        made=2,
        good=2,
        unrated=1,
        standard_us=8,
        outside_planned=3,
        unseen_more=4,
    )
    codes = _codes(account, "zone", frozenset({("fasten", None, None)}), stage="not_over")
    assert codes == [
        "not_over",
        "unknown_time",
        "unrated",
        "performance_above_1",
        "outside_planned",
        "unseen",
        "zone_oee",
    ]


def test_a_window_yet_to_come_says_only_that() -> None:
    assert _codes(Account(), "zone", stage="not_begun") == ["not_begun"]


def test_a_window_that_is_just_over_may_still_change() -> None:
    assert _codes(_plain(), stage="not_settled") == ["not_settled"]


def test_a_window_without_planned_time_says_so() -> None:
    assert _codes(Account()) == ["no_planned_time"]


def test_unknown_time_is_told_in_minutes() -> None:
    account = _plain()
    account.planned_us, account.unknown_us = 600_000_000, 90_000_000
    assert "1.5 min of planned time" in _warnings(account)[0].text


def test_beside_unknown_time_stands_what_the_oee_is_at_least_and_at_most_rounded_away_from_each_other() -> None:
    account = _plain()
    account.planned_us, account.unknown_us = 3_000_000, 1_000_000
    account.running_us, account.standard_us, account.good_standard_us = 2_000_000, 2_000_000, 2_000_000
    low, high = figures_of(account).oee_low, figures_of(account).oee_high
    assert low == pytest.approx(2 / 3)
    assert high == 1
    assert ", so that the OEE is between 66.6 % and 100.0 %; see known" in _warnings(account)[0].text


def test_a_performance_of_exactly_1_is_plain() -> None:
    account = _plain()
    account.standard_us = 10
    assert _codes(account) == []


def test_what_is_unrated_is_named_up_to_three_kinds() -> None:
    account = _plain()
    account.unrated = 7
    kinds: list[Kind] = [
        ("drill", None, "left"),
        ("fasten", "lb-8", None),
        ("fasten", "lb-6", "left"),
        ("trim", None, None),
    ]
    (few,) = _warnings(account, unrated=frozenset(kinds[:1]))
    assert "No standard for 7 fasteners" in few.text
    assert few.text.endswith(": drill, any item, left.")
    (many,) = _warnings(account, unrated=frozenset(kinds))
    assert many.text.endswith("fasten, lb-6, left; fasten, lb-8, no program and 1 more.")


def test_every_text_is_one_whole_sentence() -> None:
    account = Account(planned_us=1, unknown_us=1, outside_planned=1, unseen_more=1)
    texts = [one.text for one in _warnings(account, "zone", stage="not_over")]
    assert len(texts) == 5
    stops = [re.sub(r"\d\.\d", "", text).count(".") for text in texts]
    assert all(not text[0].islower() and text.endswith(".") for text in texts)
    assert stops == [1] * 5


def test_a_controller_that_counts_fewer_than_were_received_is_told_as_such() -> None:
    account = _plain()
    account.unseen_more, account.unseen_fewer = 0, 2
    (warning,) = _warnings(account)
    assert warning.code == "unseen"
    assert "2 fasteners fewer than were received" in warning.text


def test_one_is_not_told_as_several() -> None:
    account = _plain()
    account.unrated = account.outside_planned = account.unseen_more = 1
    texts = [*_warnings(account, unrated=frozenset({("drill", None, None)})), *failure_warnings(1, 1, None)]
    assert len(texts) == 5
    for one in texts:
        assert "1 fastener " in one.text or "1 fastener," in one.text or "1 failure " in one.text, one.text


def test_numbers_of_fasteners_and_failures_have_their_thousands_apart() -> None:
    account = _plain()
    account.unrated = account.outside_planned = account.unseen_more = account.unseen_fewer = 12_000
    texts = [*_warnings(account, unrated=frozenset({("drill", None, None)})), *failure_warnings(12_000, 12_000, None)]
    assert len(texts) == 6
    for one in texts:
        assert "12,000 fasteners" in one.text or "12,000 failures" in one.text, one.text
