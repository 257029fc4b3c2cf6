"""Counts what a running service refused, and offers it again, over its public API."""

from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from rich.console import Console
from rich.table import Table

from zoneledger_cli.asking import Asked, client_of
from zoneledger_cli.running import shown


@dataclass(slots=True)
class Outcome:
    """What came of all that was offered again: entries offered and left out (by cause), and the messages in them."""

    offered: int = 0
    stored: int = 0
    duplicate: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)

    def add(self, answer: dict[str, Any]) -> None:
        """Add what one answer tells."""
        self.offered += answer["offered"]
        self.stored += answer["stored"]
        self.duplicate += answer["duplicate"]
        self.refused.update(answer["refused"])
        self.left_out.update(answer["left_out"])


@asynccontextmanager
async def _asked(url: str, key: str | None) -> AsyncIterator[Asked]:
    async with client_of(url, key) as client:
        yield Asked(client, url.rstrip("/"))


def _which(cell: str | None, reason: str | None) -> dict[str, Any]:
    return {name: value for name, value in (("cell", cell), ("reason", reason)) if value is not None}


async def count_refused(url: str, cell: str | None, reason: str | None, key: str | None = None) -> dict[str, Any]:
    """Return what the service at `url` counts; raises OSError where it does not answer, ValueError where it refuses."""
    async with _asked(url, key) as asked:
        return await asked.get("/v1/refused/counts", _which(cell, reason))


async def retry_refused(url: str, cell: str | None, reason: str | None, key: str | None = None) -> Outcome:
    """Offer all that is refused now again, page by page, and return what came of it; raises as `count_refused` does."""
    outcome, body = Outcome(), _which(cell, reason)
    async with _asked(url, key) as asked:
        while True:
            answer = await asked.post("/v1/refused/retry", body)
            outcome.add(answer)
            if answer["next"] is None:
                return outcome
            body |= {"after": answer["next"], "upto": answer["upto"]}


def show_counts(counts: dict[str, Any], console: Console) -> None:
    """Print how much was refused, by reason and by cell."""
    if not counts["reasons"]:
        console.print("Nothing is refused.")
        return
    for name, heading in (("reasons", "reason"), ("cells", "cell")):
        table = Table(title=f"Refused messages by {heading}, the most first")
        table.add_column(heading, overflow="fold")
        table.add_column("messages", justify="right")
        for row in counts[name]:
            table.add_row(shown(row[heading]), f"{row['number']:,}")
        console.print(table)


def show_outcome(outcome: Outcome, console: Console) -> None:
    """Print what came of it: a table, and whether anything is left refused."""
    table = Table(title="What came of refused messages that were offered again")
    table.add_column("found")
    table.add_column("", justify="right")
    rows = [("entries offered", outcome.offered)]
    rows += [("messages stored", outcome.stored), ("messages that were known already", outcome.duplicate)]
    rows += [(f"messages refused again: {reason}", number) for reason, number in outcome.refused.most_common()]
    rows += [(f"entries left out: {cause}", number) for cause, number in outcome.left_out.most_common()]
    for name, number in rows:
        table.add_row(name, f"{number:,}")
    console.print(table)
    left = outcome.refused.total()
    said = f"Refused again: {left:,}; GET /v1/refused tells why." if left else "Nothing of it is left refused."
    console.print(said, soft_wrap=True, highlight=False)
