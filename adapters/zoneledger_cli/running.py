"""Runs a command's work, and tells what a person can mend in one sentence."""

import asyncio
from collections.abc import Coroutine
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from zoneledger.core.errors import PlantInvalid, ZoneledgerError
from zoneledger_cli.demo import DemoFailed

#: How a command ends that was interrupted, as a shell tells of SIGINT.
INTERRUPTED = 130


def console() -> Console:
    return Console(width=None if Console().is_terminal else 120)


def run(work: Coroutine[Any, Any, None]) -> None:
    """Run a command's work; what a person can mend is told in one sentence, and the command ends with 1, interrupted with 130.

    Of a plant model each fault is told on a line of its own.
    """
    try:
        asyncio.run(work)
    except PlantInvalid as error:
        for place, fault in error.errors:
            say(f"{place}: {fault}")
        raise typer.Exit(1) from None
    except (ZoneledgerError, DemoFailed, OSError, ValueError) as error:
        say(str(error))
        raise typer.Exit(1) from None
    except (KeyboardInterrupt, asyncio.CancelledError):
        raise typer.Exit(INTERRUPTED) from None


def run_until_told(work: Coroutine[Any, Any, None]) -> None:
    """Run work that goes on until somebody ends it: that is its end, and no failure."""
    try:
        run(work)
    except typer.Exit as ended:
        if ended.exit_code != INTERRUPTED:
            raise


def say(problem: str) -> None:
    """Tell a person what is wrong, on standard error; the text may have come from anywhere."""
    told = Text.assemble(("zoneledger:", "bold"), " ", shown(" ".join(problem.split())))
    Console(stderr=True).print(told, soft_wrap=True, highlight=False)


def shown(text: str) -> Text:
    """Return a text of any origin as a terminal may show it: no control sequences, no markup."""
    return Text("".join(character if character.isprintable() else "?" for character in text))
