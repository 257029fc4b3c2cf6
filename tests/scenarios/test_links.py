"""What a link's state does to the evidence, in the order in which it arrives."""

from typing import Any

import pytest

from tests.scenarios.ledger.bench import Bench, bench_on
from zoneledger.application.intake import Delivery
from zoneledger.application.record import record_group
from zoneledger.core.booking import Limits

SECOND_US = 1_000_000
T0_US = 1_773_036_000_000_000
SNAPSHOT = {"v": 1, "boot": 1, "seq": 0, "type": "snapshot", "zones": {"1": {}}, "alarms": []}
DOWN, UP = b'{"v":1,"link":"down"}', b'{"v":1,"link":"up","boot":1}'


def _snapshot(at: str) -> dict[str, Any]:
    return SNAPSHOT | {"at": at}


async def _arrive(bench: Bench, cell: str, second: float, payload: bytes) -> None:
    """Record what arrives on the link topic of a cell at a second."""
    async with bench.store.writing() as writing:
        delivery, now_us = Delivery(cell, payload, "link", "link"), T0_US + round(second * SECOND_US)
        await record_group(writing, [delivery], lambda _: frozenset({"1"}), now_us, Limits())


async def _known_until_s(database_url: str, arrivals: list[tuple[float, bytes]]) -> float:
    """Record a snapshot at 0 s, then what arrives on the link topic at some seconds; return where evidence ends."""
    async with bench_on(database_url) as bench:
        cell = bench.cell()
        await bench.record(cell, [[_snapshot("2026-03-09T06:00:00Z")]])
        for second, payload in arrivals:
            await _arrive(bench, cell, second, payload)
        return ((await bench.pieces(cell))["1"][-1].end_us - T0_US) / SECOND_US


async def test_a_link_that_goes_down_ends_the_evidence(database_url: str) -> None:
    assert await _known_until_s(database_url, [(7, UP), (8, DOWN)]) == 8


async def test_the_same_retained_down_again_makes_nothing_known(database_url: str) -> None:
    assert await _known_until_s(database_url, [(8, DOWN), (20, DOWN), (25, DOWN)]) == 8


async def test_a_down_long_after_the_last_message_adds_nothing(database_url: str) -> None:
    assert await _known_until_s(database_url, [(300, DOWN)]) == 30


async def test_messages_after_a_down_are_ended_by_the_next_one(database_url: str) -> None:
    async with bench_on(database_url) as bench:
        cell = bench.cell()
        await bench.record(cell, [[_snapshot("2026-03-09T06:00:00Z")]], T0_US + 8 * SECOND_US)
        await bench.record(cell, [[_snapshot("2026-03-09T06:00:20Z")]], T0_US + 22 * SECOND_US)
        assert [(p.start_us - T0_US, p.end_us - T0_US) for p in (await bench.pieces(cell))["1"]] == [
            (0, 22 * SECOND_US)
        ]


@pytest.mark.parametrize(
    ("arrivals", "restated_s"),
    [
        ([(8, DOWN), (9, UP), (300, DOWN)], [(8, 30)]),
        ([(8, DOWN), (9, UP), (45, DOWN)], [(8, 15)]),  # what is not 30 s old was not told for good
        ([(8, DOWN), (9, UP), (20, DOWN)], []),
        ([(8, DOWN), (300, DOWN)], []),
        ([(300, DOWN), (301, UP), (400, DOWN)], []),
    ],
)
async def test_a_link_that_came_up_and_went_down_again_restates_what_was_unknown(
    database_url: str, arrivals: list[tuple[float, bytes]], restated_s: list[tuple[int, int]]
) -> None:
    async with bench_on(database_url) as bench:
        cell = bench.cell()
        await bench.record(cell, [[_snapshot("2026-03-09T06:00:00Z")]])
        for second, payload in arrivals:
            await _arrive(bench, cell, second, payload)
        async with bench.store.reading() as reading:
            found = [one.row for one in await reading.revisions([cell], 0, 2**62, 0, None)]
        told = [row for row in found if row.cause == "link up and down again"]
        assert [((row.from_us - T0_US) / SECOND_US, (row.to_us - T0_US) / SECOND_US) for row in told] == restated_s
