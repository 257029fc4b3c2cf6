"""The commands that work on a database itself: migrate, backup, rebuild."""

from pathlib import Path
from typing import Annotated

import typer

from zoneledger.application.rebuild import rebuild as rebuild_cell
from zoneledger.clock import now_us
from zoneledger.storage.backup import back_up
from zoneledger.storage.schema import migrate as migrate_schema
from zoneledger_cli.flags import Database, settings_of
from zoneledger_cli.opening import opened
from zoneledger_cli.progress import progress
from zoneledger_cli.running import run


def migrate(
    database: Database = None,
    to: Annotated[str, typer.Option(help="An earlier version's schema to go back to, such as 0010")] = "head",
) -> None:
    """Bring the database's schema to this program's, or back to that of an earlier version."""
    settings = settings_of(database_url=database)
    run(migrate_schema(settings.database_url, to))
    typer.echo("the schema is up to date" if to == "head" else f"the schema is that of {to}")


def backup(
    copy: Annotated[Path, typer.Argument(help="The file to write; it must not be there yet")],
    database: Database = None,
) -> None:
    """Copy an SQLite database into a file, while the service may be running."""
    settings = settings_of(database_url=database)

    async def work() -> None:
        revision = back_up(settings.database_url, copy)
        typer.echo(f"{copy} holds the whole database, schema {revision}, {copy.stat().st_size:,} bytes")

    run(work())


def rebuild(
    cell: Annotated[str, typer.Argument(help="The cell's path, such as harbour/wing-1/cell-1")],
    database: Database = None,
    anew: Annotated[bool, typer.Option("--anew", help="Write it anew even where it is right")] = False,
) -> None:
    """Hold a cell's ledger against its messages, and derive it anew from them where it is not right."""
    settings = settings_of(database_url=database)

    async def work() -> None:
        async with opened(settings.database_url) as service:
            async with service.store.reading() as reading:
                head = (await reading.heads([cell])).get(cell)
            with progress("rebuild", head.counts.get("events") if head else None, "events") as told:
                changed = await rebuild_cell(
                    service.store, cell, now_us, service.limits, lambda events: told(events, events), anew=anew
                )
        typer.echo("the figures were right" if not changed else "the figures were mended")

    run(work())
