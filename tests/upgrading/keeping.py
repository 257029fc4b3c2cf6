"""Keeps a small database as a version wrote it, and what that version tells of it, for the versions that follow.

    git archive COMMIT | tar -x -C build/former
    python -m tests.upgrading.keeping --former build/former

Done once for each release that changes the schema. The files lie in `kept`: the database of SQLite, a dump of PostgreSQL, the answers.
"""

import argparse
import gzip
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import httpx

from tests.servers.postgres import SUPERUSER, Postgres, postgres_program
from tests.servers.programs import running
from tests.upgrading.former import FormerService, schema_of
from zoneledger_cli.simulating import write_plant
from zoneledger_sim.demo import demo_scenario
from zoneledger_sim.plan import Misbehaviour

KEPT = Path(__file__).parent / "kept"
START, END = "2026-11-25T06:00:00Z", "2026-11-25T07:00:00Z"
LINE = "harbour/wing-1"
_WINDOW = {"start": START, "end": END}


def _asked(cells: list[str]) -> list[tuple[str, dict[str, str]]]:
    """Return the calls whose answers are kept: those that tell of the past."""
    figures = [(f"/v1/{call}/{unit}", _WINDOW) for call in ("kpi", "losses", "panels") for unit in (LINE, *cells)]
    spans = [(f"/v1/timeline/{cell}", _WINDOW) for cell in cells]
    names = ("/v1/gaps", "/v1/discrepancies", "/v1/events", "/v1/snapshots", "/v1/plant")
    lists: list[tuple[str, dict[str, str]]] = [(path, {}) for path in names]
    said: list[tuple[str, dict[str, str]]] = [(f"/v1/reasons/{cell}", {}) for cell in cells]
    return [*figures, *spans, *lists, *said, ("/v1/proofs", {}), ("/v1/refused", {})]


def _fill(service: FormerService, sources: Path, folder: Path) -> list[str]:
    """Let cells send an hour, and people say and declare something; return the cells."""
    scenario = demo_scenario(cells=2, misbehaviour=Misbehaviour(lose=0.01, duplicate=0.01))
    plant = folder / "plant.json"
    write_plant(scenario, plant)
    with httpx.Client(base_url=service.url, timeout=60) as client:
        _check(client.put("/v1/plant", content=plant.read_bytes(), headers={"content-type": "application/json"}))
        flags = ["--start", START, "--hours", "1", "--url", service.url, "--lose", "0.01", "--duplicate", "0.01"]
        subprocess.run([sys.executable, "-m", "zoneledger_cli", "simulate", *flags], check=True, capture_output=True)
        cells = [scenario.path(plan.cell) for plan in scenario.cells]
        _check(client.post("/v1/messages", json={"cell": cells[0], "messages": [{"v": 2}]}))
        run = {"name": "an hour", "unit": cells[0], "confidence": 0.9, "targets": {"first_pass_yield": 0.9}, **_WINDOW}
        _check(client.post("/v1/proofs", json=run))
    return cells


def _check(answer: httpx.Response) -> None:
    if answer.is_error:
        raise RuntimeError(f"{answer.request.method} {answer.request.url.path}: {answer.text}")


def _told(service: FormerService, cells: list[str]) -> list[dict[str, Any]]:
    return [{"path": path, "query": query, "answer": service.get(path, **query)} for path, query in _asked(cells)]


def keep(sources: Path) -> None:
    """Keep what the version in a folder writes and tells, on both databases, which tell the same."""
    with tempfile.TemporaryDirectory(prefix="zoneledger-keeping-") as name, running(Postgres()) as postgres:
        folder, told = Path(name), []
        urls = [f"sqlite:///{folder / 'zoneledger.db'}", postgres.url(postgres.create_database())]
        for url in urls:
            service = FormerService(sources, "--database", url)
            with service:
                told.append(_told(service, _fill(service, sources, folder)))
        schema = schema_of(urls[0])
        (KEPT / f"{schema}.sqlite.gz").write_bytes(gzip.compress((folder / "zoneledger.db").read_bytes(), mtime=0))
        (KEPT / f"{schema}.sql.gz").write_bytes(gzip.compress(_dump(postgres, urls[1]), mtime=0))
        for kind, answers in zip(("sqlite", "postgresql"), told, strict=True):
            text = json.dumps(answers, indent=1).encode()
            (KEPT / f"{schema}.{kind}.json.gz").write_bytes(gzip.compress(text, mtime=0))


def _dump(postgres: Postgres, url: str) -> bytes:
    command = [
        str(postgres_program("pg_dump")),
        "--no-owner",
        "--no-privileges",
        f"--username={SUPERUSER}",
        f"--dbname={url}",
    ]
    return subprocess.run(command, check=True, capture_output=True).stdout


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--former", type=Path, required=True)
    keep(parser.parse_args().former.resolve())
