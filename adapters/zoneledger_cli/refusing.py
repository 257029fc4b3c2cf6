"""The commands that tell what a service refused, and offer it again."""

from typing import Annotated

import typer

from zoneledger_cli.files import Against
from zoneledger_cli.own_key import KeyFile, key_of
from zoneledger_cli.refusals import count_refused, retry_refused, show_counts, show_outcome
from zoneledger_cli.running import console, run

OfCell = Annotated[str | None, typer.Option(help="Only what was sent as this cell, named by the plant model or not")]
ForReason = Annotated[str | None, typer.Option(help="Only what was refused for this reason, such as unknown_cell")]


def refused(against: Against, cell: OfCell = None, reason: ForReason = None, key_file: KeyFile = None) -> None:
    """Tell how many messages a service has refused, by reason and by cell."""

    async def work() -> None:
        show_counts(await count_refused(against, cell, reason, key_of(key_file)), console())

    run(work())


def retry(against: Against, cell: OfCell = None, reason: ForReason = None, key_file: KeyFile = None) -> None:
    """Offer a service its refused messages again, once the plant model or a clock is mended."""

    async def work() -> None:
        outcome = await retry_refused(against, cell, reason, key_of(key_file))
        show_outcome(outcome, console())
        if outcome.refused:
            raise typer.Exit(1)

    run(work())
