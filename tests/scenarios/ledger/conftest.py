"""What the properties of the ledger run on."""

from collections.abc import Iterator

import pytest

from tests.scenarios.ledger.loop import Loop
from zoneledger.application import book, rebuild, rightness


@pytest.fixture
def loop(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Loop]:
    """A bench with short stretches, so that small examples reach checkpoints and pages."""
    monkeypatch.setattr(book, "EVENTS_PER_CHECKPOINT", 4)
    for module in (book, rebuild, rightness):
        monkeypatch.setattr(module, "EVENTS_AT_ONCE", 7)
    made = Loop(database_url)
    yield made
    made.close()
