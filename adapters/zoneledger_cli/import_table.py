"""What an import came to, as people read it."""

from rich.console import Console
from rich.table import Table

from zoneledger.wording import counted
from zoneledger_cli.importing import Imported
from zoneledger_cli.running import shown


def show(imported: Imported, console: Console) -> None:
    """Print a table, what is to be known, and the first of what was refused, each with its line."""
    table = Table(title="What became of the messages in the files")
    table.add_column("found")
    table.add_column("", justify="right")
    rows = [("lines read", imported.lines), ("messages sent", imported.messages), ("messages stored", imported.stored)]
    rows.append(("messages that were known already", imported.duplicate))
    rows += [(f"refused: {reason}", number) for reason, number in imported.refused.most_common()]
    rows += [(f"lines left out: {reason}", number) for reason, number in imported.left_out.most_common()]
    for name, number in rows:
        table.add_row(shown(name), f"{number:,}")
    console.print(table)
    for note in imported.notes:
        console.print(shown(note), soft_wrap=True)
    for one in imported.examples:
        console.print(shown(f"{one.file}, line {one.line:,}: {one.reason}: {one.detail}"), soft_wrap=True)
    left = imported.refused.total() - len(imported.examples)
    if left > 0:
        console.print(
            f"{counted(left, 'more was', 'more were')} refused; what the service refused is listed by GET /v1/refused.",
            soft_wrap=True,
        )
