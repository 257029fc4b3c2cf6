"""How late a loop is: what was due while it was held up is counted, all of it, and the last minute is forgotten in time."""

import asyncio

import pytest

from tests.integration.mqtt.parts import until
from zoneledger.application.lateness import EVERY_S, LONGEST_S, PIECE_S, PIECES, STEPS_S, Lateness

NOW_US = 1_700_000_000_000_000


def _lateness() -> Lateness:
    return Lateness(lambda: NOW_US)


def test_nothing_is_told_before_anything_was_due() -> None:
    last_minute = _lateness().last_minute
    assert (last_minute.due, last_minute.too_late, last_minute.most_us) == (0, 0, None)
    assert last_minute.share_s(0.99) is None


def test_what_is_begun_in_time_is_not_late() -> None:
    lateness, due_s = _lateness(), 100.0
    for _ in range(50):
        due_s = lateness.count(due_s, due_s)
    told = lateness.last_minute
    assert due_s == pytest.approx(100.0 + 50 * EVERY_S)
    assert (told.due, told.too_late, told.most_s, told.share_s(0.99)) == (50, 0, 0.0, 0.0)


def test_all_that_was_due_while_the_loop_was_held_up_is_late() -> None:
    lateness = _lateness()
    due_s = lateness.count(100.0, 100.0 + 10.5 * EVERY_S)
    told = lateness.since_start
    assert due_s == pytest.approx(100.0 + 11 * EVERY_S)
    assert told.due == 11
    assert told.too_late == 9  # of 105, 95, .. 25, 15 and 5 ms
    assert told.most_s == pytest.approx(0.105)
    assert told.most_us == NOW_US
    assert 0.055 <= (told.share_s(0.5) or 0) <= 0.055 * 2 ** (1 / 4)
    assert told.share_s(1.0) == told.most_s


def test_the_most_is_told_with_the_instant_at_which_it_was_seen() -> None:
    instants = iter([1, 2, 3])
    lateness = Lateness(lambda: next(instants))
    for late_s in (0.001, 0.009, 0.005):
        lateness.count(100.0, 100.0 + late_s)
    assert lateness.since_start.most_us == 2


def test_the_last_minute_forgets_what_is_older_and_the_rest_does_not() -> None:
    lateness = _lateness()
    lateness.count(100.0, 100.505)
    before = lateness.last_minute.due
    assert before == lateness.since_start.due == 51
    assert lateness.last_minute.most_s == pytest.approx(0.505)
    still_s = 100.0 + (PIECES - 1) * PIECE_S
    lateness.count(still_s, still_s)
    assert lateness.last_minute.most_s == pytest.approx(0.505)
    lateness.count(still_s + PIECE_S, still_s + PIECE_S)
    assert (lateness.last_minute.due, lateness.last_minute.most_s) == (2, 0.0)
    assert lateness.since_start.most_s == pytest.approx(0.505)


def test_a_process_that_stood_still_for_long_is_counted_up_to_a_bound() -> None:
    lateness = _lateness()
    due_s = lateness.count(100.0, 100.0 + 86_400.0)
    assert lateness.since_start.most_s == LONGEST_S
    assert lateness.since_start.due <= LONGEST_S / EVERY_S + 1
    assert 100.0 + 86_400.0 < due_s <= 100.0 + 86_400.0 + EVERY_S
    assert STEPS_S[-1] > LONGEST_S


async def test_a_loop_that_is_held_up_is_seen_to_be() -> None:
    lateness, loop = _lateness(), asyncio.get_running_loop()
    running = asyncio.ensure_future(lateness.run())
    await until(lambda: lateness.since_start.due > 0, "something was due")
    until_s = loop.time() + 0.1
    while loop.time() < until_s:  # this is the work that should not be here
        pass
    await until(lambda: lateness.since_start.most_s > 0.08, "the loop was late")
    assert lateness.since_start.too_late >= 5
    running.cancel()
    await asyncio.wait([running])
