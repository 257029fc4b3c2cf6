"""Published figures of failures and yields, fed as messages and read through /v1/failures and /v1/rates.

Each case names its source; [read] means that its figures were read in a text of the source, [memory] that source and
wording are from memory and the arithmetic was recomputed, [own] that own numbers went through a published formula.
"""

from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime, timedelta
from math import sqrt
from typing import Any

import httpx
import pytest

from tests.scenarios.story import Story, results

BEGIN = datetime(2024, 1, 1, tzinfo=UTC)
LINE = "bench/line-1"
HOUR_S = 3600
Ask = Callable[..., Awaitable[dict[str, Any]]]


@pytest.fixture
def ask(api: httpx.AsyncClient) -> Ask:
    """Declare a cell of one zone for each story, post the stories, and ask a route about all of them from their begin on."""

    async def asked(route: str, stories: Sequence[Story], *, hours: float, seconds: float = 3.75, **query: Any) -> Any:
        cells = [{"cell": f"cell-{number}", "zones": ["1"]} for number in range(len(stories))]
        standards = [{"operation": "fasten", "seconds": seconds, "since": "2023-01-01"}]
        line = {"line": "line-1", "standards": standards, "cells": cells, **query.pop("line", {})}
        plant = {"sites": [{"site": "bench", "timezone": "UTC", "lines": [line]}]}
        assert (await api.put("/v1/plant", json=plant)).status_code == 200
        for number, story in enumerate(stories):
            messages = story.close()
            for first in range(0, len(messages), 900):
                body = {"cell": f"{LINE}/cell-{number}", "messages": messages[first : first + 900]}
                assert (await api.post("/v1/messages", json=body)).json()["refused"] == []
        window = {"start": BEGIN.isoformat(), "end": (BEGIN + timedelta(hours=hours)).isoformat()}
        answer = await api.get(f"/v1/{route}/{LINE}", params=window | query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    return asked


def failing(hours: float, failures: int) -> Story:
    """Return a cell that runs so many hours and fails so often, an hour each, at equal distances."""
    story = Story(BEGIN)
    for _ in range(failures):
        story.run(hours * 60 / failures).fault(60)
    return story if failures else story.run(hours * 60)


def hours_of(bounds: list[float | None]) -> list[float | None]:
    """Return bounds of seconds in hours."""
    return [None if bound is None else bound / HOUR_S for bound in bounds]


async def test_two_failures_in_800_hours(ask: Ask) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1 [formula read, case recomputed]: 800 h, 2 failures, 90 %: 127.07 to 2251.23 h."""
    found = await ask("failures", [failing(800, 2)], hours=802)
    assert (found["running_s"], found["failures"], found["confidence"]) == (800 * HOUR_S, 2, 0.9)
    assert found["mtbf_s"] == 400 * HOUR_S
    assert hours_of(found["mtbf_bounds_s"]) == pytest.approx([127.07, 2251.23], abs=0.005)


async def test_no_failure_in_800_hours(ask: Ask) -> None:
    """The same page: no failure in 800 h, 95 %: at least 267.05 h, and no upper bound."""
    found = await ask("failures", [failing(800, 0)], hours=800, confidence=0.95)
    assert (found["running_s"], found["failures"], found["mtbf_s"]) == (800 * HOUR_S, 0, None)
    low, high = hours_of(found["mtbf_bounds_s"])
    assert low == pytest.approx(267.05, abs=0.005)
    assert high is None


@pytest.mark.parametrize(("failures", "low", "high"), [(1, 0.2108, 19.4957), (5, 0.4756, 2.5379), (10, 0.5895, 1.8432)])
async def test_the_handbooks_factors(ask: Ask, failures: int, low: float, high: float) -> None:
    """The same page's factors on the mean time, two-sided 90 % [memory]."""
    found = await ask("failures", [failing(100, failures)], hours=100 + failures)
    factors = [bound / found["mtbf_s"] for bound in found["mtbf_bounds_s"]]
    assert factors == pytest.approx([low, high], abs=6e-5)


async def test_seven_failures_in_1510_hours(ask: Ask) -> None:
    """MIL-HDBK-338B 8.3.2.5.2 [memory]: 1510 h, 7 failures: 215.714 h; one-sided 90 % at least 128.28; two-sided 114.85 to 459.62."""
    found = await ask("failures", [failing(1510, 7)], hours=1517)
    assert found["mtbf_s"] / HOUR_S == pytest.approx(215.714, abs=5e-4)
    assert hours_of(found["mtbf_bounds_s"]) == pytest.approx([114.85, 459.62], abs=0.005)


async def test_a_one_sided_bound_is_the_lower_one_of_twice_the_rest(ask: Ask) -> None:
    """The same case: one-sided at 90 % is the lower one of the two-sided bounds at 80 %."""
    found = await ask("failures", [failing(1510, 7)], hours=1517, confidence=0.8)
    assert found["mtbf_bounds_s"][0] / HOUR_S == pytest.approx(128.28, abs=0.005)


async def test_a_planner_of_tests_agrees_on_a_line_of_four_cells(ask: Ask) -> None:
    """PyPI reliability 0.9.0, reliability_test_planner(test_duration=19520, CI=0.8, number_of_failures=7, one_sided=False):
    1658.3248534993454. A window has no 19520 h, so four cells run them together."""
    cells = [failing(4880, number) for number in (0, 2, 4, 1)]
    found = await ask("failures", cells, hours=4884, confidence=0.8)
    assert (found["running_s"], found["failures"]) == (19520 * HOUR_S, 7)
    assert found["mtbf_bounds_s"][0] / HOUR_S == pytest.approx(1658.3248534993454, rel=1e-12)
    assert [one["failures"] for one in found["units"]] == [0, 2, 4, 1]


async def test_semi_e10_week(ask: Ask) -> None:
    """SEMI E10 [memory]: a week of 168 h, 8 of them non-scheduled; productive 120, 5 failures of 2 h: MTBF (productive) 24 h."""
    story = Story(BEGIN).rest(8 * 60)
    for _ in range(5):
        story.run(24 * 60).fault(2 * 60)
    story.setup(6 * 60).wait(4 * 60, "other").wait(20 * 60, "upstream")
    shift = {"shift": "week", "starts": "08:00", "ends": "08:00", "repeats": "FREQ=DAILY", "since": "2024-01-01"}
    found = await ask("failures", [story], hours=168, line={"shifts": [shift]})
    assert (found["planned_s"], found["failures"]) == (160 * HOUR_S, 5)
    assert found["mtbf_s"] == 24 * HOUR_S
    assert (found["mttr_s"], found["longest_s"], found["fault_s"]) == (2 * HOUR_S, 2 * HOUR_S, 10 * HOUR_S)
    # The handbook's factors of 5 failures, as above.
    assert [bound / found["mtbf_s"] for bound in found["mtbf_bounds_s"]] == pytest.approx([0.4756, 2.5379], abs=6e-5)


async def test_26_of_200(ask: Ask) -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1 [formula read]: 26 of 200, Wilson 95 %: 0.0902820 to 0.1836635; one-sided lower 0.09577."""
    story = Story(BEGIN).run(60, results(26, 174))
    (kind,) = (await ask("rates", [story], hours=1, confidence=0.95))["kinds"]
    assert kind["first_pass_yield"] == 0.13
    assert kind["yield_bounds"] == pytest.approx([0.0902820, 0.1836635], abs=6e-8)


async def test_26_of_200_to_one_side(ask: Ask) -> None:
    """The same page: the one-sided lower bound at 95 % is the lower one of the two-sided bounds at 90 %."""
    (kind,) = (await ask("rates", [Story(BEGIN).run(60, results(26, 174))], hours=1))["kinds"]
    assert kind["yield_bounds"][0] == pytest.approx(0.09577, abs=5e-6)


async def test_none_of_1200(ask: Ask) -> None:
    """The same page: 0 of 1200, 95 %: upper 0.0031910, lower exactly 0."""
    story = Story(BEGIN).run(60, [("reject", {})] * 1200)
    (kind,) = (await ask("rates", [story], hours=1, confidence=0.95))["kinds"]
    assert kind["yield_bounds"][0] == 0
    assert kind["yield_bounds"][1] == pytest.approx(0.0031910, abs=6e-8)


async def test_a_process_capability(ask: Ask) -> None:
    """NIST/SEMATECH e-Handbook 6.1.6 [memory]: limits 8 and 20, mean 16, standard deviation 2: Cp 1.0, Cpk 0.6667. As seconds of four
    fasteners here, whose sample has just that mean and deviation."""
    reach = 2 * sqrt(3 / 4)
    made = [("good", {"seconds": 16 + sign * reach}) for sign in (1, -1, 1, -1)]
    (kind,) = (await ask("rates", [Story(BEGIN).run(60, made)], hours=1, least_s=8, most_s=20))["kinds"]
    seconds = kind["seconds"]
    assert [seconds[name] for name in ("mean_s", "spread_s", "cp", "cpk")] == pytest.approx([16, 2, 1, 2 / 3])
    (kind,) = (await ask("rates", [Story(BEGIN).run(60, made)], hours=1, most_s=20))["kinds"]
    assert (kind["seconds"]["cp"], kind["seconds"]["cpk"]) == (None, pytest.approx(2 / 3))
    (kind,) = (await ask("rates", [Story(BEGIN).run(60, made)], hours=1))["kinds"]
    assert (kind["seconds"]["cp"], kind["seconds"]["cpk"]) == (None, None)


async def test_published_wing_panel_riveter(ask: Ask) -> None:
    """A wing-panel riveter, SAE International 2009 [read]: 16 rivets a minute, 3.75 s each, 960 an hour; [own]: 90 min running, 1380
    made, 12 of them replaced: first-pass yield 0.991304. Each is told to take the 3.75 s of the standard."""
    story = Story(BEGIN).run(90, results(1368, rework=12, seconds=3.75, program="wing"))
    found = await ask("rates", [story], hours=1.5)
    (kind,) = found["kinds"]
    assert [kind[name] for name in ("made", "good", "rework", "reject")] == [1380, 1368, 12, 0]
    assert kind["first_pass_yield"] == pytest.approx(0.991304, abs=5e-7)
    assert (kind["standards_s"], kind["seconds"]["told"], kind["seconds"]["to_standard"]) == ([3.75], 1380, 1)
    assert [kind["seconds"][name] for name in ("mean_s", "median_s", "p10_s", "p90_s")] == [3.75] * 4
    assert [(one["since"], one["number"]) for one in kind["seconds"]["histogram"] if one["number"]] == [(1.0, 1380)]
    assert found["fasteners_per_hour"]["running"] == pytest.approx(920)
    assert found["best_hour"]["made"] == 920


async def test_the_published_riveters_own_pace(ask: Ask) -> None:
    """The same source [read]: 16 rivets a minute are 960 in the best hour, told one every 3.75 s."""
    found = await ask("rates", [Story(BEGIN).rest(10).run(90, results(1440))], hours=1.75)
    assert found["fasteners_per_hour"]["running"] == pytest.approx(960)
    assert found["best_hour"]["made"] == 960
