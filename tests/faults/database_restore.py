"""A database that is lost, restored by the very commands of the documentation, and sent all that was ever sent again."""

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

import httpx

from tests.docs.pages import blocks, read
from tests.faults.bench import Bench
from tests.servers.postgres import Postgres, postgres_program
from zoneledger_sim.http import HttpSender
from zoneledger_sim.ledger_file import read_ledger

#: Snapshots of cells with two zones and an alarm: so many are well below 256 KiB.
PIECE = 300


def documented_database(bench: Bench) -> str:
    """Return the URL of an empty database with the name that the commands of the documentation use."""
    url = bench.database()
    if bench.postgres is None:
        return url
    bench.postgres.run_sql("CREATE DATABASE zoneledger")
    return bench.postgres.url("zoneledger")


def documented(what: str, kind: str) -> list[str]:
    """Return the command that docs/backup.md gives for `what` (backup, restore, receive and others), on a kind of database."""
    [block] = [one for one in blocks(read("docs/backup.md")) if one.words[1:] == (what, kind)]
    return ["sh", "-ec", block.text]


def do_as_documented(what: str, directory: Path, postgres: Postgres | None) -> None:
    """Do what docs/backup.md says, of SQLite in a directory without `postgres`."""
    kind = "sqlite" if postgres is None else "postgresql"
    subprocess.run(documented(what, kind), cwd=directory, env=environment_of(postgres), check=True)


def environment_of(postgres: Postgres | None) -> dict[str, str]:
    programs, environment = [Path(sys.executable).parent], dict(os.environ)
    if postgres is not None:
        programs.append(postgres_program("pg_dump").parent)
        environment |= {"PGHOST": "127.0.0.1", "PGPORT": str(postgres.port), "PGUSER": "zoneledger"}
        environment["ZONELEDGER_DATABASE_URL"] = postgres.url("zoneledger")
    else:
        environment.pop("ZONELEDGER_DATABASE_URL", None)
    return environment | {"PATH": os.pathsep.join([*map(str, programs), os.environ["PATH"]])}


def send_all_again(bench: Bench) -> None:
    """Offer all messages of the row's ledger file by HTTP, a cell after the other."""

    async def send() -> None:
        sent: dict[str, list[dict[str, object]]] = {}
        for cell, message in read_ledger(bench.sent.ledger).messages():
            sent.setdefault(cell, []).append(message)
        async with httpx.AsyncClient(base_url=bench.service.url, timeout=60) as client:
            sender = HttpSender(client)
            for cell, messages in sent.items():
                for first in range(0, len(messages), PIECE):
                    await sender.send(cell, json.dumps(messages[first : first + PIECE]).encode())

    asyncio.run(send())
