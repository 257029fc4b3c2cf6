"""What a benchmark found: ratios of a work against a raw baseline of the same run, and the machine it ran on."""

import json
import os
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from statistics import median
from typing import Any

_LIBRARIES = ("aiomqtt", "paho-mqtt", "sqlalchemy", "asyncpg", "fastapi", "pydantic")


@dataclass(frozen=True)
class Compared:
    """A work beside its baseline, in a unit, measured in turn in each of some runs; `aim` is for the ratio ours / baseline."""

    work: str
    baseline: str
    unit: str
    aim: str
    runs: tuple[tuple[float, float], ...]
    """The baseline's value and ours, by run."""

    @property
    def ratios(self) -> list[float]:
        """Ours / baseline of each run, the least first."""
        return sorted(ours / raw for raw, ours in self.runs)

    def __str__(self) -> str:
        raw, ours = (median(values) for values in zip(*self.runs, strict=True))
        ratios = self.ratios
        return (
            f"{self.work}: {ours:,.4g} {self.unit}, {self.baseline}: {raw:,.4g}; "
            f"ratio {median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}, {len(ratios)} runs), aim {self.aim}"
        )


def environment() -> dict[str, str | int | None]:
    """Name the machine and what it runs, without its own name."""
    model = "unknown"
    if (cpuinfo := Path("/proc/cpuinfo")).exists():
        names = [line.partition(":")[2].strip() for line in cpuinfo.read_text().splitlines() if "model name" in line]
        model = names[0] if names else model
    libraries = {name: version(name) for name in _LIBRARIES}
    machine = {"machine": platform.machine(), "cpu": model, "cores": os.cpu_count(), "system": platform.system()}
    return {**machine, "python": platform.python_version(), **libraries}


def write_result(path: Path | None, result: dict[str, Any]) -> None:
    """Write a result, and on which machine it was measured, as JSON where a path is given."""
    if path is not None:
        path.write_text(json.dumps({"environment": environment()} | result, indent=2) + "\n")


def tell(found: Sequence[Compared], path: Path | None, more: Mapping[str, Any] | None = None) -> None:
    """Print what was compared, and write it, and more that was measured, where a path is given."""
    for one in found:
        print(one)
    write_result(path, {"results": [asdict(one) | {"ratios": one.ratios} for one in found]} | dict(more or {}))
