"""Says what is to be mended: asks a running service whether a cell's controller keeps the contract, or looks into the installation."""

import asyncio
import json
import re
from dataclasses import dataclass
from pathlib import Path
from time import monotonic
from typing import Annotated, Any
from urllib.parse import quote

import typer
from rich.console import Console
from rich.table import Table

from zoneledger.wording import counted
from zoneledger_cli.asking import Asked, client_of
from zoneledger_cli.finding_lines import tell_of_installation
from zoneledger_cli.flags import Database, settings_of
from zoneledger_cli.own_key import KeyFile, key_of
from zoneledger_cli.progress import Told, progress
from zoneledger_cli.running import INTERRUPTED, console, say, shown

_STEP_S = 0.5
#: So long a service may go without an answer to the first question; once a cell was watched, a restart is waited for.
FIRST_PATIENCE_S = 5.0
#: After so long without an answer a person is told what it is waited for.
_SOON_S = 1.0
_UNITS_S = {"s": 1, "m": 60, "h": 3600}
MOST_HOURS = 24
LEAST_S, MOST_S = 10, MOST_HOURS * 3600
#: How the command ends where the contract is broken, where the service cannot be asked, and where not all that came was read.
BROKEN, NOT_ASKED, NOT_KNOWN = 1, 2, 3
#: What a finding is called, by its severity, in the words of the page on a cell's messages.
SEVERITIES = {"breach": "Breaks the contract", "advice": "Advice"}
#: How it ends, in the words of that page.
KEPT = "The contract was kept."
BROKEN_BY = "The contract was not kept: "
CANNOT_BE_SAID = "Whether the contract was kept cannot be said: there is no breach in what was read, but more came. "


@dataclass(frozen=True, slots=True)
class Examined:
    """A cell that was looked into: its path, and what was found as the service tells it."""

    subject: str
    answer: dict[str, Any]

    @property
    def is_well(self) -> bool | None:
        """Whether nothing is broken; None where that cannot be said."""
        kept: bool | None = self.answer["kept"]
        return kept


def read_length(text: str) -> int:
    """Return a length such as 90s, 10m or 2h in seconds; raise ValueError, saying what it should be."""
    found = re.fullmatch(r"([0-9]{1,5})([smh])", text)
    length_s = int(found[1]) * _UNITS_S[found[2]] if found else 0
    if not LEAST_S <= length_s <= MOST_S:
        raise ValueError(f"a length should be such as 90s, 10m or 2h, from {LEAST_S} s to 24 hours, not {text!r}")
    return length_s


async def examine(url: str, cell: str, hours: float, for_s: int | None, key: str | None = None) -> Examined:
    """Return what the service at `url` makes of a cell's last hours, or of the `for_s` seconds from now on.

    Raises OSError where it does not answer, ValueError where it refuses.
    """
    async with client_of(url, key) as client:
        asked = Asked(client, url.rstrip("/"))
        if for_s is None:
            return Examined(cell, await _ask(asked, cell, hours, FIRST_PATIENCE_S))
        await _ask(asked, cell, 0.01, FIRST_PATIENCE_S)  # what cannot be asked is told now, not when the time is over
        with progress("doctor", for_s, "s") as told:
            hours = min(await _watch(for_s, told) / 3600, MOST_HOURS)
        return Examined(cell, await _ask(asked, cell, hours))


async def _ask(asked: Asked, cell: str, hours: float, patience_s: float | None = None) -> dict[str, Any]:
    waiting = asyncio.get_running_loop().call_later(_SOON_S, say, f"waiting for {asked.url} to answer")
    try:
        answer = await asked.get(f"/v1/commissioning/{quote(cell, safe='/')}", {"hours": f"{hours:.6f}"}, patience_s)
    finally:
        waiting.cancel()
    if not answer.keys() >= {"kept", "findings", "events", "rate"}:
        raise ValueError(f"{asked.url} is no Zoneledger that can tell about a cell")
    return answer


async def _watch(for_s: int, told: Told) -> float:
    """Wait for so long and return how long it was."""
    began = monotonic()
    while (gone_s := monotonic() - began) < for_s:
        told(gone_s, round(gone_s))
        await asyncio.sleep(min(_STEP_S, for_s - gone_s))
    return monotonic() - began


def _seconds(pause: dict[str, Any] | None) -> str:
    return "-" if pause is None else f"{pause['seconds']:,.1f} s"


def _rows(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what came, in the words of the page on a cell's messages."""
    rate, refused, link = answer["rate"], answer["refused"], answer["link"]
    offset = answer["clock_offset_s"]
    types = [*answer["events"].items(), ("snapshot", answer["snapshots"])]
    rows = [(f"messages by type: {name}", f"{seen['number']:,}") for name, seen in types]
    rows += [("messages a minute", f"{rate['per_minute']:,.1f}")]
    rows += [("longest silence", _seconds(rate["longest_silence"]))]
    rows += [("longest time between snapshots", _seconds(rate["longest_between_snapshots"]))]
    rows += [("link", link["state"] or "nothing ever came on the link topic")]
    rows += [("controller's clock against the service's", "-" if offset is None else f"{offset:+,.3f} s")]
    rows += [("fasteners made", f"{answer['fasteners']:,}"), ("of them without a standard", f"{answer['unrated']:,}")]
    rows += [(f"refused: {reason}", f"{number:,}") for reason, number in refused["by_reason"].items()]
    rows += [("missing events", f"{answer['gaps']['events']:,}")]
    found = {kind: seen["number"] for kind, seen in answer["discrepancies"].items() if seen["number"]}
    rows += [(f"contradictions: {kind}", f"{number:,}") for kind, number in found.items()]
    return rows


def _verdict(examined: Examined) -> str:
    if examined.is_well is None:
        return f"{CANNOT_BE_SAID}Look at less time."
    if examined.is_well:
        return KEPT
    breaches = sum(finding["severity"] == "breach" for finding in examined.answer["findings"])
    return f"{BROKEN_BY}{counted(breaches, 'breach', 'breaches')}."


def code_of(examined: Examined) -> int:
    """Return what the command ends with: 0 where nothing is broken."""
    if examined.is_well is None:
        return NOT_KNOWN
    return 0 if examined.is_well else BROKEN


def show(examined: Examined, console: Console) -> None:
    """Print what came and what is to be said of it, breaches first, and whether the contract was kept."""
    answer = examined.answer
    table = Table(title=shown(f"What came of {examined.subject} from {answer['start']} to {answer['end']}"))
    table.add_column("found", overflow="fold")
    table.add_column("", justify="right", overflow="fold")
    for name, value in _rows(answer):
        table.add_row(shown(name), shown(value))
    console.print(table)
    for finding in answer["findings"]:
        said = shown(f"{SEVERITIES[finding['severity']]}: {finding['text']}. [{finding['code']}]")
        console.print(said, soft_wrap=True)
    for one in answer["refused"]["last"]:
        console.print(shown(f"refused {one['arrived']}: {one['detail']}: {one['text'][:200]}"), soft_wrap=True)
    console.print(_verdict(examined), soft_wrap=True, highlight=False)


def doctor(
    cell: Annotated[
        str | None, typer.Option(help="A cell's path, such as harbour/wing-1/cell-1; none: the installation itself")
    ] = None,
    against: Annotated[str | None, typer.Option(help="With --cell, the service's address: http://host:port")] = None,
    hours: Annotated[
        float, typer.Option(help="How many hours are judged, back from now", min=0.001, max=MOST_HOURS)
    ] = 1,
    watch: Annotated[
        str | None, typer.Option("--for", help="Watch from now on for so long, such as 10m, and judge only that time")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs")] = False,
    key_file: KeyFile = None,
    database: Database = None,
    broker: Annotated[str | None, typer.Option(help="Broker URL of the installation: mqtt://host:port")] = None,
) -> None:
    """Tell what is to be mended: of this installation, or with --cell of a controller that does not keep the message contract."""
    if (cell is None) != (against is None):
        raise typer.BadParameter("go together", param_hint="--cell and --against")
    if cell is None or against is None:
        raise typer.Exit(tell_of_installation(settings_of(database_url=database, broker_url=broker), as_json=as_json))
    _tell_of_cell(cell, against, hours, watch, as_json, key_file)


def _tell_of_cell(
    cell: str, against: str, hours: float, watch: str | None, as_json: bool, key_file: Path | None
) -> None:
    try:
        for_s = None if watch is None else read_length(watch)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--for") from None
    try:
        examined = asyncio.run(examine(against, cell, hours, for_s, key_of(key_file)))
    except (OSError, ValueError) as error:
        say(str(error))
        raise typer.Exit(NOT_ASKED) from None
    except KeyboardInterrupt:
        raise typer.Exit(INTERRUPTED) from None
    if as_json:
        typer.echo(json.dumps(examined.answer, indent=2))
    else:
        show(examined, console())
    raise typer.Exit(code_of(examined))
