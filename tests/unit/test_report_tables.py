"""A sheet in the terminal says no more than is known: no change that bounds do not bear out, no promise left out."""

import re
from collections.abc import Sequence
from importlib.resources import files
from io import StringIO
from typing import Any

from rich.console import Console

from zoneledger_cli.report_tables import SLIGHT, VAGUE, YOUNG_S, show


def _figures(oee: float, low: float, high: float, unknown_s: float = 0.0) -> dict[str, Any]:
    return {
        "unit": "harbour/wing-1/cell-1",
        "label": "2026-11-25/early",
        "oee": oee,
        "oee_bounds": [low, high],
        **dict.fromkeys(("availability", "performance", "quality", "known"), 1.0),
        "fasteners": {"made": 400, "good": 390},
        "fasteners_per_hour": {"planned": 50.0, "good": 48.75},
        "planned_s": 28800.0,
        "time_s": {"unknown": unknown_s},
        "warnings": [],
    }


def _shown(
    own: dict[str, Any],
    before: dict[str, Any],
    changes: dict[str, Any] | None = None,
    by_time: Sequence[dict[str, Any]] = (),
) -> str:
    change = dict.fromkeys(("availability", "performance", "quality"), 0.0)
    figures = own | {"against": before, "oee_change": {"oee": own["oee"] - before["oee"], **change}}
    sheet = {
        "unit": figures["unit"],
        "level": "cell",
        "timezone": "UTC",
        "label": figures["label"],
        "start": "2026-11-25T06:00:00Z",
        "end": "2026-11-25T14:00:00Z",
        "until": "2026-11-25T14:00:00Z",
        "figures": figures,
        "cells": [],
        "target": {"since": "2026-01-01", "oee": None, "good_per_hour": 55.0},
        "losses": {
            "planned_s": 28800.0,
            "steps": [],
            "good_standard_s": 0.0,
            "warnings": [],
            "reasons": {"by_time": list(by_time)},
        },
        "panels": {"warnings": []},
        "questions": {"number": 0, "total_s": 0.0, "questions": []},
        "notes": [],
        **(changes or {}),
    }
    console = Console(file=StringIO(), width=200)
    show(sheet, console)
    assert isinstance(console.file, StringIO)
    return console.file.getvalue()


def _row(told: str, first: str) -> list[str]:
    return next([cell.strip() for cell in line.split("│")[1:-1]] for line in told.splitlines() if first in line)


def test_a_change_that_the_bounds_bear_out_is_told_in_points() -> None:
    assert _row(_shown(_figures(0.7, 0.7, 0.7), _figures(0.6, 0.6, 0.6)), "change, in points")[1] == "+10.0"
    assert _row(_shown(_figures(0.7, 0.66, 0.72), _figures(0.6, 0.6, 0.65)), "change, in points")[1] == "+10.0"


def test_a_change_within_the_bounds_is_not_told() -> None:
    assert _row(_shown(_figures(0.7, 0.6, 0.8), _figures(0.65, 0.65, 0.65)), "change, in points")[1] == "not sure"
    assert _row(_shown(_figures(0.7, 0.7, 0.7), _figures(0.6, 0.5, 0.7)), "change, in points")[1] == "not sure"


def test_in_its_first_half_hour_a_shift_is_held_against_nothing() -> None:
    figures = _figures(0.7, 0.7, 0.7), _figures(0.6, 0.6, 0.6)
    told = _shown(*figures, {"until": "2026-11-25T06:29:59.5Z"})
    assert _row(told, "change, in points")[1:] == ["too early", *[""] * 9]
    assert _row(_shown(*figures, {"until": "2026-11-25T06:30:00Z"}), "change, in points")[1] == "+10.0"
    assert (
        _row(_shown(*figures, {"end": "2026-11-25T06:20:00Z", "until": "2026-11-25T06:20:00Z"}), "change")[1] == "+10.0"
    )


def test_of_an_oee_whose_bounds_lie_far_apart_they_alone_are_told() -> None:
    told = _shown(_figures(0.5, 0.1, 0.9), _figures(0.6, 0.55, 0.65))
    assert _row(told, "harbour/wing-1/cell-1  ")[1:4] == ["–", "10.0 %", "90.0 %"]
    assert _row(told, "before: ")[1:4] == ["60.0 %", "55.0 %", "65.0 %"]
    assert (
        "Where no OEE is told, too much is unknown: what is available, performed and quality is of the known time."
        in told
    )
    told = _shown(_figures(0.6, 0.55, 0.65), _figures(0.5, 0.1, 0.9))
    assert _row(told, "before: ")[1:4] == ["–", "10.0 %", "90.0 %"]


def test_a_change_of_such_an_oee_that_the_bounds_bear_out_is_told_without_points() -> None:
    sure, vague = _figures(0.7, 0.7, 0.7), _figures(0.4, 0.2, 0.6)
    assert _row(_shown(sure, vague), "change, in points")[1:] == ["more", *[""] * 9]
    assert _row(_shown(vague, sure), "change, in points")[1:] == ["less", *[""] * 9]


def test_good_fasteners_of_an_hour_are_the_least_there_can_be_where_time_is_unknown() -> None:
    before, row = _figures(0.6, 0.6, 0.6), "harbour/wing-1/cell-1  "
    told = _shown(_figures(0.7, 0.66, 0.72, unknown_s=145.0), before)
    assert _row(told, row)[7:10] == ["≥ 400", "≥ 390", "≥ 49"]
    assert "≥: at least so many, as what was made in unknown time is not counted." in told
    told = _shown(_figures(0.7, 0.66, 0.72, unknown_s=144.0), before)
    assert _row(told, row)[7:10] == ["400", "390", "49"]
    assert "≥" not in told
    assert "no OEE is told" not in told


def test_the_terminal_and_the_page_have_the_same_limits() -> None:
    page = files("zoneledger.api").joinpath("web/doubt.js").read_text()
    told = dict(re.findall(r"const (VAGUE|SLIGHT|YOUNG_MS) = ([\d.]+);", page))
    assert told == {"VAGUE": str(VAGUE), "SLIGHT": str(SLIGHT), "YOUNG_MS": str(YOUNG_S * 1000)}


def test_good_fasteners_of_an_hour_stand_over_those_that_were_promised() -> None:
    told = _shown(_figures(0.7, 0.7, 0.7), _figures(0.6, 0.6, 0.6))
    assert _row(told, "harbour/wing-1/cell-1  ")[9] == "49"
    assert _row(told, "promised")[9] == "55"


def _sheet_of_a_line(unseen: dict[str, int], by_time: list[dict[str, Any]]) -> str:
    cells = []
    for cell, number in unseen.items():
        figures = _figures(0.7, 0.7, 0.7) | {"unit": f"harbour/wing-1/{cell}"}
        cells.append({"figures": figures | {"fasteners": figures["fasteners"] | {"unseen": number}}})
    line = _figures(0.7, 0.7, 0.7) | {"unit": "harbour/wing-1"}
    return _shown(line, _figures(0.6, 0.6, 0.6), {"level": "line", "cells": cells}, by_time)


def test_a_line_names_the_cells_whose_controllers_count_others_than_were_received() -> None:
    told = _sheet_of_a_line({"cell-1": 0, "cell-2": 822, "cell-3": -4}, [])
    assert "- Counted by the controllers beside what was received: cell-2 822 more; cell-3 4 fewer." in told
    assert "Counted by the controllers" not in _sheet_of_a_line({"cell-1": 0}, [])


def test_unknown_time_comes_last_among_the_losses_as_it_is_not_known_to_be_lost() -> None:
    loss = {"lost_s": 60.0, "occurrences": 1, "longest_s": 60.0, "given": {}}
    reasons = [("unknown", "no_evidence"), ("fault", "clamp-force"), ("idle", "head")]
    told = _sheet_of_a_line({}, [{"state": state, "reason": reason, **loss} for state, reason in reasons])
    lines = [line for line in told.splitlines() if "0:01:00" in line]
    assert [re.split(r"\s*│\s*", line)[1:3] for line in lines] == [
        ["fault", "clamp-force"],
        ["idle", "no zone works, one waits for the head"],
        ["unknown", "not heard of yet"],
    ]


def test_no_open_question_means_that_every_stretch_has_its_reason_only_where_all_is_known() -> None:
    before = _figures(0.6, 0.6, 0.6)
    assert "every stretch longer than a minute has its reason" in _shown(_figures(0.7, 0.7, 0.7), before)
    told = _shown(_figures(0.7, 0.6, 0.8, unknown_s=7200.0), before)
    assert "has its reason" not in told
    assert "No open questions: 2:00:00 of planned time is unknown." in told
