"""Shows what the checks of an installation found: a line each, and at the end whether anything is to be mended."""

import asyncio
import json
import logging

import typer

from zoneledger.settings import Settings
from zoneledger.wording import counted
from zoneledger_cli.checks.findings import Finding, Grade
from zoneledger_cli.checks.table import findings_of
from zoneledger_cli.running import INTERRUPTED, console, shown

#: How the command ends where something is a fault; warnings, and what cannot be known, end it with 0.
FAULTY = 1
WELL = "Nothing is to be mended."


def tell_of_installation(settings: Settings, *, as_json: bool) -> int:
    """Look into everything, print what is found, and return how the command ends."""
    logging.basicConfig(level=logging.CRITICAL)  # what libraries say of it is in the findings
    try:
        found = asyncio.run(_look(settings, as_json=as_json))
    except KeyboardInterrupt:
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        typer.echo(json.dumps(document(found), indent=2))
    else:
        console().print(conclusion(found), soft_wrap=True, highlight=False)
    return FAULTY if _number(found, Grade.FAULT) else 0


async def _look(settings: Settings, *, as_json: bool) -> list[Finding]:
    """Return all findings; each is printed as soon as it is there, unless JSON is wanted."""
    found = []
    async for finding in findings_of(settings):
        found.append(finding)
        if not as_json:
            console().print(shown(line_of(finding)), soft_wrap=True, highlight=False)
    return found


def line_of(finding: Finding) -> str:
    """Return a finding as a line: how it is, what it is about, and in sentences what was found and what to do."""
    sentences = [f"{text[:1].upper()}{text[1:]}." for text in (finding.text, finding.remedy) if text]
    return f"{finding.grade.value:<10}{finding.check}: {' '.join(sentences)}"


def conclusion(found: list[Finding]) -> str:
    """Return in a sentence whether anything is to be mended."""
    faults, warnings = _number(found, Grade.FAULT), _number(found, Grade.WARNING)
    if not faults and not warnings:
        return WELL
    return f"{counted(faults, 'fault', 'faults')}, {counted(warnings, 'warning', 'warnings')}."


def document(found: list[Finding]) -> dict[str, object]:
    """Return the findings as JSON has them."""
    return {
        "faults": _number(found, Grade.FAULT),
        "warnings": _number(found, Grade.WARNING),
        "findings": [finding._asdict() for finding in found],
    }


def _number(found: list[Finding], kind: Grade) -> int:
    return sum(finding.grade is kind for finding in found)
