"""Runs a command's work, and tells what a person can mend in one sentence."""

import asyncio
import logging
from collections.abc import Callable, Coroutine
from typing import Any

import typer
from rich.console import Console
from rich.text import Text

from zoneledger.core.errors import PlantInvalid, ZoneledgerError
from zoneledger_cli.demo import DemoFailed

log = logging.getLogger(__name__)

Tell = Callable[[str], None]
"""Takes a sentence for whoever runs a command."""

#: How a command ends that was interrupted, as a shell tells of SIGINT.
INTERRUPTED = 130


def console() -> Console:
    return Console(width=None if Console().is_terminal else 120)


def run(work: Coroutine[Any, Any, None], tell: Tell | None = None) -> None:
    """Run a command's work; what a person can mend is told in one sentence, and the command ends with 1, interrupted with 130.

    Of a plant model each fault is told on a line of its own. `tell` is told instead of a person.
    """
    tell = tell or say
    try:
        asyncio.run(work)
    except PlantInvalid as error:
        for place, fault in error.errors:
            tell(f"{place}: {fault}")
        raise typer.Exit(1) from None
    except (ZoneledgerError, DemoFailed, OSError, ValueError) as error:
        tell(str(error))
        raise typer.Exit(1) from None
    except (KeyboardInterrupt, asyncio.CancelledError):
        raise typer.Exit(INTERRUPTED) from None


def run_until_told(work: Coroutine[Any, Any, None], tell: Tell | None = None) -> None:
    """Run work that goes on until somebody ends it: that is its end, and no failure."""
    try:
        run(work, tell)
    except typer.Exit as ended:
        if ended.exit_code != INTERRUPTED:
            raise


def run_as_a_service(work: Coroutine[Any, Any, None], tell: Tell | None = None) -> None:
    """Run work until somebody ends it, and log a fault of ours that ends it: elsewhere its words would be shown, too."""
    try:
        run_until_told(work, tell)
    except typer.Exit:
        raise
    except Exception:
        log.critical("the service has ended by a fault of its own", exc_info=True)
        raise typer.Exit(1) from None


def say(problem: str) -> None:
    """Tell a person what is wrong, on standard error; the text may have come from anywhere."""
    told = Text.assemble(("zoneledger:", "bold"), " ", shown(" ".join(problem.split())))
    Console(stderr=True).print(told, soft_wrap=True, highlight=False)


def shown(text: str) -> Text:
    """Return a text of any origin as a terminal may show it: no control sequences, no markup."""
    return Text("".join(character if character.isprintable() else "?" for character in text))
