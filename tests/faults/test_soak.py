"""The soak in short: it runs, measures and draws, nothing is lost, and a slope would be seen."""

import csv
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.slopes import LONG_LIFE_S, Life, Series, judge
from tests.faults.soak import Asked, soak, write_down
from tests.faults.trouble import ENDS
from tests.servers.fixtures import programs

SVG = "{http://www.w3.org/2000/svg}"
LASTS_S = 2 * LONG_LIFE_S


def _series(name: str, value_at: Callable[[float], float], lasts_s: float = LASTS_S) -> Series:
    points = tuple((float(at_s), value_at(at_s)) for at_s in range(0, int(lasts_s) + 1, 2))
    return Series(name, "MiB", (Life(points),))


@pytest.mark.parametrize(
    ("name", "value_at", "holds"),
    [
        ("memory", lambda at_s: 100.0, True),
        ("memory", lambda at_s: 100 + 20 * min(at_s, 300) / 300, True),  # it warms up
        ("memory", lambda at_s: 100 + 4 * at_s / 3600, True),
        ("memory", lambda at_s: 100 + 7 * at_s / 3600, False),
        ("open files", lambda at_s: 20 + at_s % 7, True),
        ("open files", lambda at_s: 20 + at_s % 7 + at_s // 120, False),  # one is left open every two minutes
        ("open files", lambda at_s: 20 + at_s // 80 % 3, True),  # connections of a pool
        ("tasks", lambda at_s: 9 + at_s // 120, False),
        ("tasks", lambda at_s: 9 + at_s // 500, False),  # one that is never given up
        ("write-ahead log", lambda at_s: at_s % 64, True),
        ("write-ahead log", lambda at_s: at_s / 10, False),
        ("broker's file", lambda at_s: at_s % 60, True),
        ("broker's file", lambda at_s: 99.0 if at_s % 200 < 90 else 1.0, True),  # a link that is half-open for 90 s
        ("broker's file", lambda at_s: 99.0 if at_s > 800 else 1.0, False),
        ("broker's file", lambda at_s: 9 + at_s % 60, False),
    ],
)
def test_a_slope_is_told_from_none(name: str, value_at: Callable[[float], float], holds: bool) -> None:
    assert [one.holds for one in judge(_series(name, value_at), "sqlite")] == [holds]


def test_a_process_that_lived_too_short_is_not_judged() -> None:
    series = _series("memory", lambda at_s: 100 + at_s, LONG_LIFE_S - 2)
    assert [one.holds for one in judge(series, "sqlite")] == [None]


def test_a_short_soak_loses_nothing_and_is_measured_and_drawn(tmp_path: Path) -> None:
    asked = Asked(16, "sqlite", seed=22, cells=6, pace=400, gap_s=(0.5, 1.5))
    with programs():
        soaked = soak(asked)
    assert soaked.outcome.faultless, soaked.outcome
    assert soaked.outcome.stored > 1000
    assert ENDS.keys() < soaked.faults.keys()  # and others
    by_name = {series.name: series for series in soaked.series}
    assert (
        len(by_name["memory"].lives) >= 2
    )  # the process was ended twice, the first time perhaps before it was measured
    assert all(30 < value < 1000 for life in by_name["memory"].lives for _, value in life.points)
    assert all(
        value > 0 for name in ("open files", "tasks") for life in by_name[name].lives for _, value in life.points
    )
    assert max(value for _, value in by_name["write-ahead log"].lives[0].points) > 0
    assert max(value for _, value in by_name["broker's file"].lives[0].points) > 0

    judged = [one for series in soaked.series for one in judge(series, asked.database)]
    write_down(soaked, judged, tmp_path)
    drawn = ElementTree.parse(tmp_path / "sqlite.svg").getroot()
    marks = [line for line in drawn.iter(f"{SVG}line") if line.get("class") == "mark"]
    assert len(marks) == sum(map(len, soaked.faults.values()))
    assert len(list(drawn.iter(f"{SVG}polyline"))) >= 5
    with (tmp_path / "sqlite.csv").open(newline="") as stream:
        assert [row["series"] for row in csv.DictReader(stream)] == [one.series.name for one in judged]
