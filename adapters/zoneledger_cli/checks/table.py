"""The checks of an installation, in the order in which they are told."""

from collections.abc import AsyncIterator, Awaitable, Callable

from zoneledger.settings import Settings
from zoneledger_cli.checks.broker import broker
from zoneledger_cli.checks.database import database
from zoneledger_cli.checks.findings import Finding
from zoneledger_cli.checks.installation import Installation
from zoneledger_cli.checks.machine import clock, disk, open_files, time_zones
from zoneledger_cli.checks.own_settings import own_settings
from zoneledger_cli.checks.service import service

CHECKS: tuple[Callable[[Installation], Awaitable[list[Finding]]], ...] = (
    own_settings,
    database,
    broker,
    clock,
    disk,
    open_files,
    time_zones,
    service,
)


async def findings_of(settings: Settings) -> AsyncIterator[Finding]:
    """Yield what each check finds, as soon as it has."""
    installation = Installation(settings)
    for check in CHECKS:
        for finding in await check(installation):
            yield finding
