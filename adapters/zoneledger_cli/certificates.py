"""The command that writes certificates for a plant without authorities of its own, each beside its private key."""

import os
import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from cryptography import x509

from zoneledger.clock import now_us
from zoneledger_cli.authority import LEAF_DAYS, Pair, Use, Wanted, instant, new_authority, sign
from zoneledger_cli.running import say

#: The names that deploy/mosquitto-acl knows, and by which the broker is reached from its own machine.
SERVICE, BROKER, WEB = "service", "broker", "web"
OWN_MACHINE = ("localhost", "127.0.0.1")
_CA = "ca"
_CELL = re.compile("[a-z0-9-]{1,40}(/[a-z0-9-]{1,40}){2}")
_READER = re.compile("[a-z0-9-]{1,40}")


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder of certificates that `ca.pem` has signed. Each lies beside its key, by a name such as `cells/harbour/wing-1/cell-1`."""

    path: Path

    def file(self, name: str, ending: str) -> Path:
        """Return where a certificate (pem) or its key is."""
        return self.path / f"{name}.{ending}"

    def has(self, name: str) -> bool:
        """Tell whether there is a certificate or a key of this name."""
        return any(self.file(name, ending).exists() for ending in ("pem", "key"))

    def authority(self) -> Pair | None:
        """Return what signs, None in a folder without; raise ValueError where only a part of it is there."""
        if not self.has(_CA):
            return None
        missing = [str(path) for path in (self.file(_CA, "pem"), self.file(_CA, "key")) if not path.exists()]
        if missing:
            raise ValueError(f"{missing[0]} is not there, and nothing can be signed without it")
        try:
            return Pair.read(self.file(_CA, "pem").read_bytes(), self.file(_CA, "key").read_bytes())
        except (ValueError, TypeError) as error:
            raise ValueError(f"the authority in {self.path} cannot be read: {error}") from None

    def signed(self) -> dict[str, Wanted]:
        """Return what is there beside the authority, by name; raise ValueError for a file that this command did not write."""
        found = {}
        for path in sorted(self.path.rglob("*.pem")):
            name = str(path.relative_to(self.path)).removesuffix(".pem")
            if name != _CA:
                try:
                    found[name] = Wanted.like(x509.load_pem_x509_certificate(path.read_bytes()))
                except (ValueError, LookupError, x509.ExtensionNotFound):
                    raise ValueError(f"{path} is no certificate of this command: move it elsewhere") from None
        return found

    def write(self, name: str, pair: Pair) -> None:
        """Write a key, which only its owner reads, and a certificate; files that are there are filled anew and stay whose they are."""
        for ending, text, mode in (("key", pair.key_text(), 0o600), ("pem", pair.certificate_text(), 0o644)):
            path = self.file(name, ending)
            path.parent.mkdir(parents=True, exist_ok=True)
            with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as file:
                file.write(text)


def make(folder: Folder, wanted: dict[str, Wanted], now: datetime, days: int, *, renew: bool) -> dict[str, Pair]:
    """Write what is wanted, with an authority and the service's own certificate where they are missing; return what was written.

    With `renew` all that is there is made anew but the authority; what is wanted wins over what a certificate has. Without, nothing
    that is there is touched. Raises FileExistsError or ValueError before anything is written.
    """
    authority = folder.authority()
    if authority is None and renew:
        raise ValueError(f"there is no authority in {folder.path} that could sign anew")
    made = {}
    if authority is None:
        authority = made[_CA] = new_authority(now)
    if not folder.has(SERVICE):
        wanted = {SERVICE: Wanted(SERVICE, Use.CLIENT), **wanted}
    taken = [] if renew else [str(folder.file(name, "pem")) for name in wanted if folder.has(name)]
    if taken:
        told = f"{', '.join(taken)}: there already, and nothing was written; --renew makes all that is there anew"
        raise FileExistsError(told)
    if renew:
        wanted = folder.signed() | wanted
    made |= {name: sign(authority, each, now, days) for name, each in wanted.items()}
    for name, pair in made.items():
        folder.write(name, pair)
    return made


def _wanted(broker: list[str], service: list[str], cells: list[str], readers: list[str]) -> dict[str, Wanted]:
    """Return what the flags ask for, by the names of the files; raise ValueError for what cannot be."""
    wanted = {}
    if broker:
        wanted[BROKER] = Wanted(BROKER, Use.BROKER, tuple(dict.fromkeys((*broker, *OWN_MACHINE))))
    if service:
        wanted[WEB] = Wanted(WEB, Use.SERVER, tuple(service))
    for cell in cells:
        if not _CELL.fullmatch(cell):
            raise ValueError(f"a cell should be a path such as harbour/wing-1/cell-1, not {cell!r}")
        wanted[f"cells/{cell}"] = Wanted(cell, Use.CLIENT)
    for name in readers:
        if not _READER.fullmatch(name) or name in (SERVICE, BROKER, WEB, _CA):
            raise ValueError(f"a reader should be named such as dashboard, and not {name!r}")
        wanted[name] = Wanted(name, Use.CLIENT)
    return wanted


def certificates(
    directory: Annotated[
        Path, typer.Argument(help="The folder to write to; ca.pem and ca.key in it sign", file_okay=False)
    ],
    broker: Annotated[
        list[str] | None, typer.Option(help="A host by which the broker is reached; as all of these, once or more")
    ] = None,
    service: Annotated[
        list[str] | None, typer.Option(help="A host by which the proxy before the service is reached")
    ] = None,
    cell: Annotated[list[str] | None, typer.Option(help="The path of a cell, whose controller shows it")] = None,
    reader: Annotated[list[str] | None, typer.Option(help="The name of who only reads, such as dashboard")] = None,
    renew: Annotated[bool, typer.Option("--renew", help="Make all anew that is there, but for the authority")] = False,
    days: Annotated[int, typer.Option(help="How long they last", min=1, max=LEAF_DAYS)] = LEAF_DAYS,
) -> None:
    """Make an authority of your own, and certificates that it signs: for the broker, the service, its proxy, cells and readers."""
    try:
        wanted = _wanted(broker or [], service or [], cell or [], reader or [])
        made = make(Folder(directory), wanted, instant(now_us()), days, renew=renew)
    except (OSError, ValueError) as error:
        say(str(error))
        raise typer.Exit(1) from None
    for name, pair in made.items():
        typer.echo(f"{directory / name}.pem, with its key, until {pair.certificate.not_valid_after_utc:%Y-%m-%d}")
    if _CA in made:
        typer.echo("Keep ca.key to yourself, off the machines that serve: who has it can sign for anybody.")
