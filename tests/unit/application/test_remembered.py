"""What is remembered is so for as long as told, and of no more than so many."""

from zoneledger.application.remembered import Remembered


def test_a_value_is_remembered_over_its_time_only() -> None:
    kept: Remembered[str, int] = Remembered(2)
    kept.keep("a", 1, 10, 20)
    assert [kept.get("a", us) for us in (9, 10, 19, 20)] == [None, 1, 1, None]
    assert kept.get("b", 10) is None


def test_of_too_many_that_which_came_first_is_forgotten() -> None:
    kept: Remembered[str, int] = Remembered(2)
    for number, key in enumerate("abac"):
        kept.keep(key, number, 0, 9)
    assert [kept.get(key, 1) for key in "abc"] == [2, None, 3]
    assert len(kept) == 2


def test_what_is_forgotten_is_gone() -> None:
    kept: Remembered[str, int] = Remembered(2)
    kept.keep("a", 1, 0, 9)
    kept.forget("a")
    kept.forget("a")
    assert kept.get("a", 1) is None
