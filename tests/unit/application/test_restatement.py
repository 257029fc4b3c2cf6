"""Which change restated figures, of several after their window was over."""

import pytest

from zoneledger.application.revisions import restatement
from zoneledger.application.stored import Revision
from zoneledger.core.warnings import restated


def _changed(recorded_us: int, cause: str) -> Revision:
    return Revision("bench/line/cell", 0, 10, recorded_us, cause)


def test_the_last_change_after_the_window_was_settled_restated_its_figures() -> None:
    changes = [_changed(12, "early"), _changed(40, "late messages"), _changed(40, "verdicts"), _changed(39, "rebuild")]
    found = restatement(changes, 10, 5)
    assert found is not None
    assert found.cause == "verdicts"


@pytest.mark.parametrize(
    ("cause", "why"),
    [
        ("late messages", "messages came late"),
        ("rebuild", "the ledger was derived anew"),
        ("plant version 3", "the plant model was changed (version 3)"),
        ("given reason undone by shift-lead", "a given reason was undone by shift-lead"),
    ],
)
def test_a_restatement_is_explained_in_plain_words(cause: str, why: str) -> None:
    text = f"These figures changed after the window was over, last because {why}; /v1/revisions lists each change."
    assert restated(cause) == ("restated", text)


def test_changes_before_it_was_settled_restated_nothing() -> None:
    assert restatement([_changed(12, "early")], 10, 5) is None
