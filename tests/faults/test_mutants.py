"""The mutants in short: those of acknowledgement, unique key and proof of silence, and what counts as caught at all."""

import pytest

from tests.faults.mutants import Moved, Unproven, verdict_on
from tests.faults.mutations import BOOKING, SHORT, WINDOW, Edit, Mutant

TESTS = tuple(test for mutant in SHORT for test in mutant.tests)


@pytest.mark.parametrize("mutant", SHORT, ids=lambda mutant: mutant.name)
def test_a_build_with_a_defect_is_caught_by_its_tests(mutant: Mutant) -> None:
    assert verdict_on(mutant) in {test.rpartition("/")[2].replace(".py", "") for test in mutant.tests}


def test_a_build_without_a_defect_is_caught_by_none() -> None:
    other_words = Edit(WINDOW, "The messages of one connection", "Messages of a connection")
    assert verdict_on(Mutant("other words", (other_words,), TESTS)) is None


def test_a_build_that_cannot_be_imported_proves_nothing() -> None:
    broken = Edit(BOOKING, "class Booking:", "class Booking")
    with pytest.raises(Unproven, match="SyntaxError"):
        verdict_on(Mutant("broken", (broken,), TESTS[-1:]))


@pytest.mark.parametrize("text", ["class Booked:", "return"], ids=["never", "often"])
def test_a_text_that_is_not_there_exactly_once_is_no_mutant(text: str) -> None:
    wanted = Edit(BOOKING if text == "return" else WINDOW, text, "pass")
    with pytest.raises(Moved, match="not once"):
        verdict_on(Mutant("moved", (wanted,), TESTS[-1:]))
