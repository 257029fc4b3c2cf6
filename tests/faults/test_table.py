"""Each row of the table of faults: nothing lost, nothing twice, what is missing is known, and no figure is wrong."""

import importlib
import os
import zlib
from collections.abc import Callable

import pytest

from tests.faults.bench import Bench
from tests.faults.table import FAULTS, Fault, line_of
from tests.servers.fixtures import programs

AREAS = (
    "process",
    "broker",
    "stream",
    "stream_clock",
    "stream_link",
    "payload",
    "database",
    "database_disk",
    "processes",
    "change",
    "consumer",
    "consumer_hostile",
    "consumer_stream",
)
for area in AREAS:
    importlib.import_module(f"tests.faults.{area}_faults")

#: `make faults` sets it to `full`: all rows, as long as they have to be.
FULL = os.environ.get("ZONELEDGER_FAULTS") == "full"
SEED = int(os.environ.get("ZONELEDGER_FAULTS_SEED", "20261125"))
ROWS = [
    pytest.param(row, database, id=f"{row.area}: {row.name} ({database})")
    for row in FAULTS
    for database in (row.databases if FULL else row.short)
]


@pytest.mark.parametrize(("row", "database"), ROWS)
def test_nothing_is_lost_or_twice_and_no_figure_is_wrong(row: Fault, database: str, say: Callable[[str], None]) -> None:
    seed = SEED + zlib.crc32(f"{row.area}/{row.name}".encode()) % 10_000
    with programs(), Bench(database, seed, full=FULL) as bench:
        outcome = row.commit(bench)
    say(line_of(row, database, seed, outcome))
    assert outcome.faultless, outcome
