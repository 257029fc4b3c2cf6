"""The commands as the pages have them, and as the command line has them: which there are, and with which flags."""

import re
import shlex
from collections.abc import Iterator
from typing import Any, NamedTuple

from typer.core import TyperCommand, TyperGroup, TyperOption
from typer.main import get_command

from tests.docs.pages import blocks, codes, without_blocks
from zoneledger_cli.main import app

Command = TyperCommand | TyperGroup

#: What stands before the name where it is no command: of a container, a service or an account.
_NO_COMMAND = {"exec", "-u", "build", "logs"}
_COMMAND = re.compile(r"(?:(?<=[\s'(])|(?<=bin/)|^)zoneledger ((?:'[^']*'|[^|;&><\n#])+)")


class Told(NamedTuple):
    """A command as a page has it: its words after `zoneledger`."""

    words: tuple[str, ...]

    @property
    def flags(self) -> set[str]:
        """Its flags, without their values."""
        return {word.partition("=")[0] for word in self.words if re.match(r"--?[a-z]", word)}


def there() -> dict[str, Command]:
    """Return every command by its name, such as `key create`; that of the program itself is empty."""
    return dict(_walk("", get_command(app)))


def _walk(name: str, command: Any) -> Iterator[tuple[str, Command]]:
    yield name, command
    if isinstance(command, TyperGroup):
        for own, below in command.commands.items():
            yield from _walk(f"{name} {own}".strip(), below)


def flags_of(command: Command) -> set[str]:
    """Return the flags that a command has."""
    options = [one for one in command.params if isinstance(one, TyperOption)]
    return {flag for one in options for flag in (*one.opts, *one.secondary_opts)}


def code(text: str) -> list[str]:
    """Return what stands in code marks, in fenced blocks of commands and in indented lines; a line that goes on is one."""
    plain = without_blocks(text)
    lines = [line for line in plain.splitlines() if line.startswith("    ")]
    fenced = [block.text for block in blocks(text) if block.words[:1] in ((), ("sh",))]
    return [*codes(plain), *("\n".join([*fenced, *lines]).replace("\\\n", " ").splitlines())]


def told(text: str) -> list[Told]:
    """Return the commands that a page has."""
    found = []
    for line in code(text):
        for match in _COMMAND.finditer(line):
            before = line[: match.start()].split()
            if not before or before[-1] not in _NO_COMMAND:
                found.append(Told(tuple(_words(match[1]))))
    return [one for one in found if one.words]


def _words(text: str) -> list[str]:
    try:
        return shlex.split(text)
    except ValueError:  # a quote that began before the command
        return text.replace("'", " ").replace('"', " ").split()
