"""How a command ends: by itself, told by a person, or with one sentence about what is wrong."""

import asyncio
import signal
from collections.abc import Iterator

import pytest
import typer

from zoneledger_cli.running import run, run_until_told


@pytest.fixture
def interruptible() -> Iterator[None]:
    """Let Ctrl-C come through, as it does in a terminal: what runs behind a shell ignores it."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


async def _interrupted() -> None:
    signal.raise_signal(signal.SIGINT)
    await asyncio.Event().wait()


async def _hostile() -> None:
    raise ValueError("the service said [red]no[/red]\n\x1b]0;taken\x07")


def test_work_that_is_interrupted_ends_with_130_unless_it_goes_on_until_then(interruptible: None) -> None:
    with pytest.raises(typer.Exit) as ended:
        run(_interrupted())
    assert ended.value.exit_code == 130
    run_until_told(_interrupted())


def test_what_is_wrong_is_told_as_it_was_written_without_control_characters(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(typer.Exit) as ended:
        run_until_told(_hostile())
    assert ended.value.exit_code == 1
    assert capsys.readouterr().err == "zoneledger: the service said [red]no[/red] ?]0;taken?\n"
