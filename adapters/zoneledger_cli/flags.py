"""Flags that several commands have, and the settings that come of them."""

from typing import Annotated, Any

import typer
from pydantic import ValidationError

from zoneledger.environment import faults_of
from zoneledger.settings import Settings
from zoneledger_cli.running import say

Database = Annotated[str | None, typer.Option(help="Database URL: sqlite:///file or postgresql://...")]


def settings_of(**flags: Any) -> Settings:
    """Return the settings of the environment, with the flags that were given in their place; end with 1 where one is wrong."""
    try:
        return Settings(**{name: value for name, value in flags.items() if value is not None})
    except ValidationError as error:
        for fault in faults_of(error):
            say(fault)
        raise typer.Exit(1) from None
