"""The demo's table: a shift's figures as the service tells them, beside the simulator's truth."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rich.table import Table

from zoneledger_sim.truth import Account

STATES = ("running", "idle", "fault", "changeover", "unknown")
RESULTS = ("made", "good", "rework", "reject")

#: Times agree if they do to the millisecond.
TOLERANCE_S = 0.001


@dataclass(frozen=True, slots=True)
class Line:
    """One figure of a unit: what the service says, what is true (None: the simulator keeps no such figure)."""

    unit: str
    name: str
    told: float | int | None
    true: float | int | None

    @property
    def agrees(self) -> bool:
        """Whether the service says what is true: times to the millisecond, counts exactly."""
        if self.true is None:
            return True
        if self.told is None:
            return False
        return self.told == self.true if isinstance(self.true, int) else abs(self.told - self.true) < TOLERANCE_S


def compare(kpi: dict[str, Any], truth: Account) -> list[Line]:
    """Return a unit's times and counts as the API told them, each beside the truth."""
    unit = kpi["unit"]
    times = [Line(unit, f"{state} s", kpi["time_s"][state], truth.time_us.get(state, 0) / 1e6) for state in STATES]
    true = {"made": truth.made, **truth.final}
    return times + [Line(unit, name, kpi["fasteners"][name], true[name]) for name in RESULTS]


def derived(kpi: dict[str, Any]) -> list[Line]:
    """Return a unit's ratios and rates as the API told them."""
    unit = kpi["unit"]
    names = ("oee", "availability", "performance", "quality", "utilisation", "known")
    rates = kpi["fasteners_per_hour"]
    lines = [Line(unit, name, kpi[name], None) for name in names]
    return lines + [Line(unit, f"fasteners per {name} hour", rates[name], None) for name in ("planned", "running")]


def zones(kpi: dict[str, Any]) -> list[Line]:
    """Return the utilisation of a cell's zones, and what each waited for the head, as the API told them."""
    unit, found = kpi["unit"], kpi["zones"].items()
    used = [Line(unit, f"zone {zone} utilisation", one["utilisation"], None) for zone, one in found]
    return used + [Line(unit, f"zone {zone} head wait s", one["head_wait_s"], None) for zone, one in found]


def _text(value: float | int | None) -> str:
    if value is None:
        return "-"
    return f"{value:,}" if isinstance(value, int) else f"{value:,.3f}"


def table_of(title: str, units: dict[str, list[Line]]) -> Table:
    """Return the figures of units side by side: told by the service, and true where the simulator knows it."""
    table = Table(title=title)
    table.add_column("figure")
    for unit in units:
        table.add_column(f"{unit}", justify="right")
        table.add_column("truth", justify="right", style="dim")
    for row in zip(*units.values(), strict=True):
        cells = (text for line in row for text in (_text(line.told), _mark(line)))
        table.add_row(row[0].name, *cells)
    return table


def _mark(line: Line) -> str:
    if line.true is None:
        return ""
    return _text(line.true) if line.agrees else f"[bold]{_text(line.true)} differs[/bold]"


def disagreements(lines: Iterable[Line]) -> list[Line]:
    """Return the figures that are not what is true."""
    return [line for line in lines if not line.agrees]
