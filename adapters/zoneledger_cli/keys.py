"""The commands about keys, and the one that shows the audit log: they work on the database itself, without a service."""

import os
import pwd
from collections import deque
from typing import Annotated

import typer
from rich.table import Table

from zoneledger.api.times import rfc3339
from zoneledger.application.keyring import AuditEntry, KeyRow
from zoneledger.application.keys import KEY_DAYS, MOST_DAYS, bearer_of_key, create_key, told
from zoneledger.core.callers import Scope
from zoneledger.storage.engines import DatabaseMissing, check_there
from zoneledger.storage.schema import migrate
from zoneledger_cli.flags import Database, settings_of
from zoneledger_cli.opening import opened
from zoneledger_cli.running import console, run, say, shown

#: How many entries of the audit log are read at once.
PAGE = 1000
ADDRESS = "command line"

key_app = typer.Typer(
    no_args_is_help=True, help="Make, list and revoke the keys by which programs and people are let in."
)


def _url(database: str | None) -> str:
    return settings_of(database_url=database).database_url


def _who() -> str:
    """Return who runs the command, as the machine names them, whatever their environment says."""
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:  # an account without a name, as containers have
        return f"account {os.getuid()}"


@key_app.command()
def create(
    name: Annotated[str, typer.Argument(help="What the key is for, such as wing-1-dashboard")],
    scope: Annotated[
        list[Scope], typer.Option(help="What it may do; give it again for more. admin includes the others")
    ],
    unit: Annotated[
        list[str] | None,
        typer.Option(
            help="Only this unit and what lies below it, such as harbour/wing-1; give it again for more; none: all"
        ),
    ] = None,
    days: Annotated[int, typer.Option(help="For how many days it is good", min=1, max=MOST_DAYS)] = KEY_DAYS,
    database: Database = None,
) -> None:
    """Make a key and print it, this once: it is kept nowhere. The database is made, or migrated, where it has to be."""

    async def work() -> None:
        url = _url(database)
        bearer = bearer_of_key(name, scope, unit or [])
        try:
            check_there(url)
        except DatabaseMissing as error:
            say(f"{error} yet: it is made, and the key holds for a service on that file only")
        await migrate(url)
        async with opened(url) as service:
            async with service.store.reading() as reading:
                plant = (await service.plants.present(reading)).plant
            for one in bearer.units or ():
                if plant.find(one) is None:
                    say(f"the plant model has no unit {one} yet; the key is made all the same")
            row, key = await create_key(service.store, bearer, days, service.now_us(), _who(), ADDRESS)
        say(f"key {row.id}: {told(row)}, until {rfc3339(row.expires_us)}; it is not shown again")
        typer.echo(key)

    run(work())


@key_app.command("list")
def list_keys(database: Database = None) -> None:
    """List all keys, without their secrets."""

    async def work() -> None:
        async with opened(_url(database)) as service, service.store.reading() as reading:
            keys, now_us = await reading.keys("key"), service.now_us()
        table = Table(title="Keys, in the order in which they were made")
        for heading in ("id", "name", "may", "made", "good until", "last used"):
            table.add_column(heading, overflow="fold")
        for row in keys:
            used = "never" if row.used_us is None else rfc3339(row.used_us)[:16] + "Z"
            cells = (row.id, row.name, told(row), _day(row.created_us), _end(row, now_us), used)
            table.add_row(*map(shown, cells))
        console().print(table if keys else "There are no keys.")

    run(work())


def _day(at_us: int) -> str:
    return rfc3339(at_us)[:10]


def _end(row: KeyRow, now_us: int) -> str:
    if row.revoked_us is not None:
        return f"revoked {_day(row.revoked_us)}"
    return f"{'expired ' if row.expires_us <= now_us else ''}{_day(row.expires_us)}"


@key_app.command()
def revoke(
    id: Annotated[str, typer.Argument(help="The key's id, as key list has it")], database: Database = None
) -> None:
    """Let a key be good no more, with all sessions that began with it: a running service knows within 30 s."""

    async def work() -> None:
        async with opened(_url(database)) as service:
            row = await service.callers.revoke(id, _who(), ADDRESS)
        typer.echo(f"{row.kind} {row.id} of {row.name} is revoked")

    run(work())


def audit(
    last: Annotated[int, typer.Option(help="How many entries, of the last", min=1)] = 100, database: Database = None
) -> None:
    """Print the audit log: logins, refusals, and changes of the plant, of reasons and of keys."""

    async def work() -> None:
        entries: deque[AuditEntry] = deque(maxlen=last)
        async with opened(_url(database)) as service, service.store.reading() as reading:
            page = await reading.audit(0, PAGE)
            while page:
                entries += page
                page = await reading.audit(page[-1].id, PAGE)
        for _, row in entries:
            line = f"{rfc3339(row.at_us)} {row.what} by {row.who or 'nobody known'} from {row.address or 'here'}: {row.detail}"
            typer.echo(shown(line).plain)

    run(work())
