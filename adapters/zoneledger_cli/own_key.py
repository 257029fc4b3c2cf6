"""The key or token by which a command tells a service who asks: of the environment or a file, never a flag, which others see."""

import os
from pathlib import Path
from typing import Annotated

import typer

from zoneledger.settings import COMMANDS_KEY

KeyFile = Annotated[
    Path | None,
    typer.Option(
        help=f"The file with the key or token that the service asks for; none: {COMMANDS_KEY}, where it is set"
    ),
]


def key_of(file: Path | None) -> str | None:
    """Return the key in a file, else that of the environment, None where there is neither.

    Raises OSError, in one sentence, where the file cannot be read, and ValueError where what is there can be no key.
    """
    source, text = (COMMANDS_KEY, os.environ.get(COMMANDS_KEY, "")) if file is None else (str(file), _read(file))
    key = text.strip()
    if file is None and not key:
        return None
    if not key or not key.isascii() or not key.isprintable() or " " in key:
        raise ValueError(f"{source} holds no key or token: that is one word, such as zl_..., without Bearer before it")
    return key


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise OSError(f"the key file {file} cannot be read: {error.strerror or error}") from None
