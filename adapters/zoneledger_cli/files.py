"""The commands that bring messages from files into a service, and a sheet from a service into files."""

import json
from pathlib import Path
from typing import Annotated

import typer

from zoneledger_cli.import_table import show as show_imported
from zoneledger_cli.importing import Imported, import_files
from zoneledger_cli.own_key import KeyFile, key_of
from zoneledger_cli.progress import progress
from zoneledger_cli.report_tables import show as show_sheet
from zoneledger_cli.reporting import Files
from zoneledger_cli.reporting import report as read_report
from zoneledger_cli.running import console, run

Against = Annotated[str, typer.Option(help="The service's address: http://host:port")]


def import_messages(
    files: Annotated[
        list[Path], typer.Argument(help="Message files: JSON lines, gzip or not", exists=True, dir_okay=False)
    ],
    against: Against,
    cell: Annotated[
        str | None, typer.Option(help="Whose messages they are, where lines do not tell, such as harbour/wing-1/cell-1")
    ] = None,
    wait: Annotated[float, typer.Option(help="Seconds that the service may be away at most", min=0)] = 600,
    state: Annotated[
        Path | None,
        typer.Option(
            help="Directory to keep how far each file was read; none: beside it",
            exists=True,
            file_okay=False,
            writable=True,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs")] = False,
    key_file: KeyFile = None,
) -> None:
    """Send message files to a service; a second run goes on where the first broke off. Ends with 3 where any were refused."""
    imported = Imported()

    async def work() -> None:
        key = key_of(key_file)
        total = sum(path.stat().st_size for path in files)
        try:
            with progress("import", total, "messages") as told:
                await import_files(files, against, cell, wait, state, imported, told, key)
        finally:
            if as_json:
                typer.echo(json.dumps(imported.document(), indent=2))
            else:
                show_imported(imported, console())
        if imported.refused:
            raise typer.Exit(3)

    run(work())


def report(
    unit: Annotated[str, typer.Argument(help="The path of a line, cell or site, such as harbour/wing-1")],
    against: Against,
    shift: Annotated[
        str | None, typer.Option(help="A shift, such as 2026-11-25/early, or now; no window: the last one over")
    ] = None,
    day: Annotated[str | None, typer.Option(help="A day, such as 2026-11-25")] = None,
    start: Annotated[str | None, typer.Option(help="Begin of a window, RFC 3339 with an offset")] = None,
    end: Annotated[str | None, typer.Option(help="End of a window")] = None,
    html: Annotated[Path | None, typer.Option(help="Save the sheet as one page in this file", dir_okay=False)] = None,
    pdf: Annotated[Path | None, typer.Option(help="Print the sheet into this file", dir_okay=False)] = None,
    key_file: KeyFile = None,
) -> None:
    """Show a shift's sheet: figures with bounds, losses, reasons, open questions and what people said."""
    asked = {"shift": shift, "day": day, "start": start, "end": end}
    query = {name: value for name, value in asked.items() if value is not None}

    async def work() -> None:
        show_sheet(await read_report(against, unit, query, Files(html, pdf), key_of(key_file)), console())

    run(work())
