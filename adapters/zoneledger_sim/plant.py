"""The plant document that fits a scenario: what the service has to know to book its messages."""

from typing import Any

from zoneledger_sim.plan import Scenario, ShiftPlan

_SINCE = "2026-01-01"
Document = dict[str, Any]

_REASONS: list[Document] = [
    {"reason": "no-panel", "text": "No panel at the cell", "for": ["idle"]},
    {"reason": "no-operator", "text": "Nobody free to load", "for": ["idle"]},
    {"reason": "sealant", "text": "Sealant changed by hand", "for": ["idle"]},
    {"reason": "cleaning", "text": "Swarf cleared", "for": ["idle"]},
    {"reason": "sensor-dirty", "text": "A sensor was dirty", "for": ["fault"]},
    {"reason": "part-loose", "text": "A panel sat loose", "for": ["fault"]},
]
_ROLES = ["shift-lead", "maintenance"]


def plant_document(scenario: Scenario) -> Document:
    """Return the plant model of a scenario's site, in JSON types.

    Raises ValueError where two cells of the line have different standards for the same fastener.
    """
    line = {
        "line": scenario.line,
        "shifts": [_shift(shift) for shift in scenario.shifts],
        "standards": _standards(scenario),
        "cells": [{"cell": plan.cell, "zones": list(plan.zones)} for plan in scenario.cells],
        "targets": [{"since": _SINCE, "oee": 0.75, "good_per_hour": 700}],
    }
    site = {"site": scenario.site, "timezone": scenario.timezone, "lines": [line]}
    return {"sites": [site | {"reasons": _REASONS, "roles": _ROLES}]}


def _shift(shift: ShiftPlan) -> Document:
    meal = [] if shift.meal is None else [{"stop": "meal", "starts": shift.meal[0], "ends": shift.meal[1]}]
    return {
        "shift": shift.shift,
        "starts": shift.starts,
        "ends": shift.ends,
        "repeats": "FREQ=DAILY",
        "since": _SINCE,
        "stops": meal,
    }


def _standards(scenario: Scenario) -> list[Document]:
    seconds: dict[tuple[str, str | None, str], float] = {}
    for plan in scenario.cells:
        for program in plan.programs:
            for step in program.steps:
                key = (step.operation, step.item, program.program)
                if step.standard_s is not None and seconds.setdefault(key, step.standard_s) != step.standard_s:
                    raise ValueError(f"two standards for {key}: {seconds[key]} and {step.standard_s} s")
    return [
        {"operation": operation}
        | ({} if item is None else {"item": item})
        | {"program": program, "seconds": standard_s, "since": _SINCE}
        for (operation, item, program), standard_s in seconds.items()
    ]
