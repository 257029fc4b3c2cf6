"""Runs a command's work, and tells what a person can mend in one sentence."""

import asyncio
from collections.abc import Coroutine
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from zoneledger.core.errors import ZoneledgerError
from zoneledger_cli.demo import DemoFailed

problems = Console(stderr=True)


def console() -> Console:
    return Console(width=None if Console().is_terminal else 120)


def run(work: Coroutine[Any, Any, None]) -> None:
    """Run a command's work; what a person can mend is told in one sentence, and the command ends with 1."""
    try:
        asyncio.run(work)
    except (ZoneledgerError, DemoFailed, OSError, ValueError) as error:
        problems.print(f"[bold]zoneledger:[/bold] {error}", soft_wrap=True, highlight=False)
        raise typer.Exit(1) from None
    except (KeyboardInterrupt, asyncio.CancelledError):
        pass


def shown(text: str) -> Text:
    """Return a text of any origin as a terminal may show it: no control sequences, no markup."""
    return Text("".join(character if character.isprintable() else "?" for character in text))
