"""The drill of backup, loss and restore in small: what came after the backup is known to be missing, or was never lost."""

import pytest

from tests.faults.bench import Bench
from tests.faults.drill import WAYS, drill
from tests.servers.fixtures import programs

SEED = 20261127
#: `make drill` has them all; what `zoneledger backup` writes is held in tests/integration/test_backup.py.
SHORT = ("pg_dump", "pg_receivewal")


@pytest.mark.parametrize("way", SHORT)
def test_what_was_acknowledged_is_known_to_be_missing_and_comes_again_or_was_never_lost(way: str) -> None:
    with programs(), Bench(WAYS[way], SEED, full=False) as bench:
        drilled = drill(way, bench, events=600)
    assert drilled.final.faultless, drilled
    assert drilled.after >= 600
    if way == "pg_receivewal":
        assert drilled.missing == 0, "the log had all that was acknowledged"
    else:
        assert drilled.missing > 300, "what came after the backup is gone from the broker, and known to be missing"
