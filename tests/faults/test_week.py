"""The simulated week in short: a shift of two cells, shuffled, with one message in ten sent twice."""

import asyncio
from dataclasses import replace
from pathlib import Path

from tests.faults.comparing import Checking
from tests.faults.week import HOUR_US, START_US, hand_over, lived, run, scenario_of, serving

UNTIL_US = START_US + 8 * HOUR_US
#: Fewer fasteners for each snapshot than in the long form.
SLOWER = 5.0


def test_a_shuffled_shift_with_one_message_in_ten_twice_is_the_truth(database_url: str) -> None:
    found = run(database_url, UNTIL_US, scenario_of(cells=2, seed=7, slower=SLOWER))
    assert found.is_faultless, found.wrong
    assert found.sent > 7000
    assert abs(found.duplicates - found.sent / 10) <= 1
    # All of it, its one shift and its one day: of the line, and of each cell with its two zones.
    assert found.compared == 3 * (1 + 2 * 3)


def test_what_is_missing_and_what_is_wrong_is_found(tmp_path: Path) -> None:
    scenario = scenario_of(cells=1, seed=8, slower=SLOWER)
    week = lived(scenario, 0, UNTIL_US)
    told = replace(week, texts=[text for text in week.texts if b'"activity":"process"' not in text])
    missing = len(week.texts) - len(told.texts)
    with serving(f"sqlite:///{tmp_path / 'zoneledger.db'}", scenario) as service:
        asyncio.run(hand_over(service.url, week.cell, list(told.texts)))
        checking = Checking(service, START_US, UNTIL_US)
        checking.check_cell(week, again=1)
    found = checking.found
    assert missing > 0
    assert (found.lost, found.stored, found.twice) == (missing, len(told.texts), 0)
    assert found.difference > 0
    assert f"{week.cell} has 0 duplicates, not 1" in found.wrong
    assert not found.is_faultless
