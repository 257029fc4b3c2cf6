"""What the benchmarks of the live streams share: percentiles, arguments, and cells that change their state."""

import argparse
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from zoneledger.api.times import rfc3339


def percentiles(seconds: Sequence[float]) -> dict[str, float]:
    """Return p50 and p99 in ms, and of how many."""
    ordered = sorted(seconds)
    if not ordered:
        return {"number": 0}
    found = {f"p{share}_ms": round(ordered[(len(ordered) - 1) * share // 100] * 1000, 2) for share in (50, 99)}
    return found | {"number": len(ordered)}


def arguments(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Add what both take."""
    parser.add_argument("--json", type=Path, help="write the result to this file")
    parser.add_argument("--small", action="store_true", help="only show that it runs")
    return parser


def cells_of(number: int) -> list[str]:
    """Return the paths of cells, a hundred to a line."""
    return [f"bench/line-{index // 100}/cell-{index}" for index in range(number)]


def plant_of(cells: Sequence[str]) -> dict[str, Any]:
    """Return the plant model of cells with two zones each."""
    lines: dict[str, list[dict[str, Any]]] = {}
    for cell in cells:
        _, line, name = cell.split("/")
        lines.setdefault(line, []).append({"cell": name, "zones": ["1", "2"]})
    declared = [{"line": line, "cells": of_line} for line, of_line in lines.items()]
    return {"sites": [{"site": "bench", "timezone": "UTC", "lines": declared}]}


def first_message(at_us: int) -> bytes:
    """Return the snapshot of a cell whose first zone runs and whose second is loaded."""
    zones = {"1": _doing("process", "left"), "2": _doing("load", "right")}
    told = {"v": 1, "boot": 1, "seq": 0, "at": rfc3339(at_us), "type": "snapshot", "zones": zones, "alarms": []}
    return json.dumps(told).encode()


def _doing(activity: str, side: str) -> dict[str, str]:
    return {"activity": activity, "program": f"skin-{side}", "panel": f"skin-{side}-0001"}


def change(seq: int, at_us: int) -> bytes:
    """Return the message of a number from 1: the first zone stands for a panel, or goes on."""
    told = {"v": 1, "boot": 1, "seq": seq, "at": rfc3339(at_us), "type": "wait", "zone": "1", "for": "panel"}
    return json.dumps(told | {"phase": "begin" if seq % 2 else "end"}).encode()
