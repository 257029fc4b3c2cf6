"""Counts what a cell made over a stretch of time, and of how much of it something is not known."""

import json
from typing import NamedTuple

from zoneledger.application.ports import Reading
from zoneledger.core.plant import Unit
from zoneledger.core.standards import Standards


class Made(NamedTuple):
    """The fasteners made, those without a standard by kind, and those of which nobody told the panel."""

    number: int
    unrated: dict[str, int]
    without_panel: int


async def read_made(reading: Reading, unit: Unit, since_us: int, until_us: int) -> Made:
    """Return what a cell made over [since_us, until_us)."""
    assert unit.line is not None
    assert unit.cell is not None
    standards, unrated, number = Standards.of(unit.line, unit.cell, unit.tz), dict[str, int](), 0
    for count in await reading.count_fasteners([unit.path], [(since_us, until_us)]):
        number += count.number
        if standards.find(count.operation, count.item, count.program, until_us) is None:
            kind = _kind(count.operation, count.item, count.program)
            unrated[kind] = unrated.get(kind, 0) + count.number
    panels = await reading.count_by_panel([unit.path], [(since_us, until_us)])
    return Made(number, unrated, sum(one.number for one in panels if one.panel is None))


def _kind(operation: str, item: str | None, program: str | None) -> str:
    told = [
        f"{name} {json.dumps(text, ensure_ascii=False)}"
        for name, text in (("item", item), ("program", program))
        if text
    ]
    return " ".join([operation, *told])
