"""The containers of docker-compose.yml as processes, each by its own command: from the secrets to a figure through nginx."""

import asyncio
import os
import re
import shutil
import ssl
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import asyncpg
import httpx
import pytest

from tests.deployment.compose import ROOT, containers, secret_files
from tests.deployment.outside import Outside
from tests.docs.pages import blocks, read
from tests.servers.fixtures import programs
from tests.servers.programs import wait_until
from zoneledger.api.times import rfc3339
from zoneledger.clock import now_us

CELLS = ("harbour/wing-1/cell-1", "harbour/wing-1/cell-2")
#: What the page says, with this machine in the place of the hosts.
WANTED = [
    "--broker",
    "mosquitto",
    "--broker",
    "127.0.0.1",
    "--service",
    "127.0.0.1",
    "--cell",
    CELLS[0],
    "--cell",
    CELLS[1],
]
WHOLE = ("mosquitto", "postgres", "zoneledger", "nginx")


@pytest.fixture(scope="module")
def directory() -> Iterator[Path]:
    """A folder that other accounts may look into, as they have to here."""
    found = Path(tempfile.mkdtemp(prefix="zoneledger-outside-"))
    found.chmod(0o755)
    yield found
    shutil.rmtree(found, ignore_errors=True)


@pytest.fixture(scope="module")
def secrets(directory: Path) -> Path:
    """The files of deploy/secrets, as its script makes them."""
    if os.geteuid() != 0:
        pytest.skip("deploy/secrets.sh gives files to other accounts, which only root can do")
    shutil.copy(ROOT / "deploy" / "secrets.sh", directory)
    _make_secrets(directory, *WANTED)
    return directory / "secrets"


def _make_secrets(directory: Path, *wanted: str) -> None:
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    command = ["sh", str(directory / "secrets.sh"), *wanted]
    subprocess.run(command, env={"PATH": path}, check=True, capture_output=True, text=True)


@pytest.fixture(scope="module")
def outside(directory: Path, secrets: Path) -> Iterator[Outside]:
    """All of it but the simulator, begun in the order that the file has."""
    running = Outside(directory, secrets)
    try:
        with programs():
            running.up("nginx")
        yield running
    finally:
        running.down()


@pytest.fixture(scope="module")
def trusting(secrets: Path) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(secrets / "ca.pem"))


@pytest.fixture(scope="module")
def key(outside: Outside) -> str:
    return outside.run("zoneledger", "zoneledger", "key", "create", "first", "--scope", "admin").strip()


@pytest.fixture(scope="module")
def client(outside: Outside, trusting: ssl.SSLContext, key: str) -> Iterator[httpx.Client]:
    address = f"https://127.0.0.1:{outside.ports['8443']}"
    with httpx.Client(
        base_url=address, verify=trusting, headers={"authorization": f"Bearer {key}"}, timeout=60
    ) as client:
        yield client


@pytest.fixture(scope="module")
def plant(outside: Outside, client: httpx.Client) -> None:
    """The plant of the simulated cells, declared."""
    told = outside.run("simulator", "zoneledger", "simulate", "--start", "now", "--plant", "/dev/stdout")
    client.put("/v1/plant", content=told, headers={"content-type": "application/json"}).raise_for_status()


def test_each_secret_is_readable_by_the_account_of_the_container_that_it_is_lent_to_and_by_no_other(
    secrets: Path,
) -> None:
    files = secret_files()
    for container in containers().values():
        user = int((container.said.get("user") or (container.image.user if container.image else "")).partition(":")[0])
        for name in container.secrets.values():
            found = (secrets / files[name]).stat()
            if name == "broker-ca":
                assert found.st_mode & 0o777 == 0o644
            else:
                assert (name, found.st_uid, found.st_mode & 0o077) == (name, user, 0)
    assert secrets.stat().st_mode & 0o777 == 0o700


def test_the_script_may_be_run_again_and_keeps_the_passwords(secrets: Path, directory: Path) -> None:
    again = directory / "again"
    shutil.copytree(secrets, again / "secrets")
    shutil.copy(ROOT / "deploy" / "secrets.sh", again)
    _make_secrets(again, "--renew")
    assert (again / "secrets/database-password").read_text() == (secrets / "database-password").read_text()
    assert (again / "secrets/web.pem").read_text() != (secrets / "web.pem").read_text()
    assert len((secrets / "database-password").read_text()) == 64


def test_all_are_healthy_and_the_service_is_ready_through_nginx_with_tls(
    outside: Outside, trusting: ssl.SSLContext
) -> None:
    answer = httpx.get(f"https://127.0.0.1:{outside.ports['8443']}/health/ready", verify=trusting)
    assert answer.status_code == 200
    assert all(outside.running(name) for name in WHOLE)


def test_nobody_is_let_in_without_a_key(outside: Outside, trusting: ssl.SSLContext) -> None:
    with httpx.Client(base_url=f"https://127.0.0.1:{outside.ports['8443']}", verify=trusting) as nobody:
        assert nobody.get("/v1/units").status_code == 401
        assert nobody.post("/v1/messages", json={"cell": CELLS[0], "messages": []}).status_code == 401


@pytest.mark.usefixtures("plant")
def test_messages_that_come_with_a_key_are_in_what_is_read_with_it(client: httpx.Client) -> None:
    snapshot = {
        "v": 1,
        "boot": 1,
        "seq": 0,
        "at": rfc3339(now_us()),
        "type": "snapshot",
        "zones": {"1": {}, "2": {}},
        "alarms": [],
    }
    answer = client.post("/v1/messages", json={"cell": CELLS[0], "messages": [snapshot]})
    assert (answer.status_code, answer.json()["stored"]) == (200, 1)
    assert client.get(f"/v1/kpi/{CELLS[0]}", params={"day": rfc3339(now_us())[:10]}).status_code == 200
    assert _received(client, "snapshots")[CELLS[0]] >= 1


@pytest.mark.usefixtures("plant")
def test_simulated_cells_come_in_by_the_broker_each_with_its_own_certificate(
    outside: Outside, client: httpx.Client
) -> None:
    before = _received(client, "snapshots")
    outside.up("simulator")
    wait_until(
        lambda: all(now > before[cell] for cell, now in _received(client, "snapshots").items()), "both cells send", 60
    )
    assert outside.running("simulator")
    assert client.get("/v1/refused").json()["refused"] == []


def _received(client: httpx.Client, what: str) -> dict[str, int]:
    sites: list[dict[str, Any]] = client.get("/v1/units").json()["sites"]
    cells = [cell for site in sites for line in site["lines"] for cell in line["cells"]]
    return {cell["unit"]: cell["received"][what] for cell in cells}


def test_the_services_account_rules_nothing_but_its_database(outside: Outside, secrets: Path) -> None:
    async def look() -> Any:
        password = (secrets / "database-password").read_text()
        where = {"host": "127.0.0.1", "port": int(outside.ports["5432"])}
        with pytest.raises(asyncpg.InvalidPasswordError):
            await asyncpg.connect(**where, user="postgres", password=password, database="postgres")
        with pytest.raises(asyncpg.InvalidPasswordError):
            await asyncpg.connect(**where, user="zoneledger", password="another", database="zoneledger")
        connection = await asyncpg.connect(**where, user="zoneledger", password=password, database="zoneledger")
        try:
            return await connection.fetchrow(
                "SELECT rolsuper, rolcreatedb, rolcreaterole, rolreplication FROM pg_roles WHERE rolname = current_user"
            )
        finally:
            await connection.close()

    assert set(asyncio.run(look()).values()) == {False}


def test_no_neighbour_has_a_complaint(outside: Outside) -> None:
    for name in ("mosquitto", "nginx"):
        complaint = re.compile(r"[Ee]rror:|[Ww]arning:|\[(warn|error|crit)\]")
        assert [line for line in outside.log(name).splitlines() if complaint.search(line)] == [], name


def test_the_database_is_copied_by_the_command_of_the_page(outside: Outside, directory: Path) -> None:
    [block] = [one for one in blocks(read("docs/backup.md")) if one.words == ("sh", "backup", "containers")]
    command = block.text.partition(" > ")[0].removeprefix("docker compose exec -T postgres ")
    assert command.startswith("pg_dump ")
    here = f"-h {directory}/postgres/tmp -p {outside.ports['5432']} --file={directory}/postgres/tmp/copy.dump"
    outside.run("postgres", *command.split(), *here.split())
    assert "TABLE DATA public plant" in outside.run(
        "postgres", "pg_restore", "--list", f"{directory}/postgres/tmp/copy.dump"
    )
