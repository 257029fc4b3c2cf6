"""Runs what docker-compose.yml says without containers: the same commands, with other folders, host names and ports.

Each container has a folder in the place of its root. There it finds the secrets and files that it is lent, and no others. The image of
PostgreSQL is stood for by what its entry point does, as its documentation has it: initdb, the files of /docker-entrypoint-initdb.d
while the server listens on a socket only, and then the server. What nginx's image is built with, folders below /var/cache, is told to
the nginx of this machine.
"""

import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.deployment.compose import ROOT, Container, containers, secret_files
from tests.servers.nginx import with_folders
from tests.servers.postgres import postgres_program
from tests.servers.programs import find_program, free_port, other_user

#: What lies in the container, and not in the part of it that every machine has.
_INSIDE = re.compile(r"(?<![\w./-])/(?=(run/secrets|mosquitto|etc/nginx|var/log/nginx|tmp|var/lib/postgresql)(/|\b))")
#: Whose account each has where we are root; the service and the simulator have ours.
_ACCOUNTS = {"mosquitto": "mosquitto", "postgres": "postgres", "nginx": "www-data"}
_PORTS = ("5432", "8000", "8080", "8443", "8883", "8884", "8885")
DEADLINE_S = 60


class Outside:
    """The containers of the compose file as processes below a folder; `secrets` has the files that are lent to them."""

    def __init__(self, directory: Path, secrets: Path) -> None:
        self._directory, self._secrets = directory, secrets
        self._containers = containers()
        self._processes: dict[str, subprocess.Popen[bytes]] = {}
        self.ports = {port: str(free_port()) for port in _PORTS}

    def up(self, name: str) -> None:
        """Begin a container once those that it needs are healthy, and wait until it is."""
        if name in self._processes:
            return
        container = self._containers[name]
        for needed in container.after:
            self.up(needed)
        self._furnish(container)
        if name == "postgres":
            self._make_database(container)
        self._processes[name] = self._popen(container, container.command or self._database_server())
        self._wait(container)

    def down(self) -> None:
        """End them all, the last one first."""
        for process in reversed(self._processes.values()):
            process.terminate()
            process.wait(timeout=30)

    def run(self, name: str, *command: str) -> str:
        """Return what a command says that is run in a container, as `docker compose exec` and `run` do."""
        self._furnish(self._containers[name])
        done = subprocess.run(self._found(command), capture_output=True, text=True, **self._as(self._containers[name]))
        assert done.returncode == 0, done.stderr
        return str(done.stdout)

    def log(self, name: str) -> str:
        """Return what a container said so far, and wrote into its folder of logs."""
        files = [self._directory / f"{name}.log", *(self._directory / name / "var" / "log").rglob("*.log")]
        return "".join(file.read_text(errors="replace") for file in files)

    def running(self, name: str) -> bool:
        """Tell whether a container has not ended."""
        return self._processes[name].poll() is None

    def _root(self, container: Container) -> Path:
        return self._directory / container.name

    def _here(self, container: Container, text: str) -> str:
        """Return a text of a container with the folders, host names and ports that it has here."""
        text = _INSIDE.sub(f"{self._root(container)}/", str(text).replace("$$", "$"))
        text = re.sub(rf"(?<![\d.])({'|'.join(_PORTS)})(?![\d.])", lambda found: self.ports[found[1]], text)
        text = re.sub(r"(?<=[@/ ])(mosquitto|postgres|zoneledger)(?=:\d)", "127.0.0.1", text)
        return re.sub(r"172\.30\.250\.\d", "127.0.0.1", text)

    def _furnish(self, container: Container) -> None:
        """Lay the files into a container's folder that it is lent, all of them its own account's."""
        root = self._root(container)
        if root.exists():
            return
        for there, name in container.secrets.items():
            _copy(self._secrets / secret_files()[name], root / there.removeprefix("/"))
        for there, here in container.mounted.items():
            inside = root / there.removeprefix("/")
            if here.startswith("./"):
                _copy(ROOT / here, inside)
                inside.write_text(self._here(container, inside.read_text()))
            else:
                inside.mkdir(parents=True)
        for folder in ("tmp", "var/log/nginx", "var/cache/nginx"):
            (root / folder).mkdir(parents=True, exist_ok=True)
        if container.name == "nginx":
            configuration = root / "etc/nginx/nginx.conf"
            configuration.write_text(with_folders(configuration.read_text(), root / "var/cache/nginx"))
        account = other_user(_ACCOUNTS[container.name]) if container.name in _ACCOUNTS else {}
        for one in [root, *root.rglob("*")] if account else []:
            os.chown(one, account["user"], account["group"])

    def _as(self, container: Container) -> dict[str, Any]:
        """Return how a process of a container is begun: its environment, folder and account."""
        account = other_user(_ACCOUNTS[container.name]) if container.name in _ACCOUNTS else {}
        told = {name: self._here(container, value) for name, value in container.environment.items()}
        path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"], "/usr/sbin"])
        return {"env": {"PATH": path, **told}, "cwd": self._root(container), **account}

    def _popen(self, container: Container, command: list[str]) -> subprocess.Popen[bytes]:
        here = self._found([self._here(container, word) for word in command])
        with (self._directory / f"{container.name}.log").open("ab") as log:
            return subprocess.Popen(here, stdout=log, stderr=log, start_new_session=True, **self._as(container))

    def _found(self, command: list[str] | tuple[str, ...]) -> list[str]:
        """Return a command with the program of this machine that its first word means."""
        own = Path(sys.executable).parent / command[0]
        program = own if own.exists() else find_program(command[0])
        return [str(program), *command[1:]]

    def _wait(self, container: Container) -> None:
        """Wait until a container's own health check says that it is well."""
        health = [self._here(container, word) for word in container.health]
        until = time.monotonic() + DEADLINE_S
        while health:
            process = self._processes[container.name]
            assert process.poll() is None, f"{container.name} has ended:\n{self.log(container.name)}"
            asked = subprocess.run(self._found(health), capture_output=True, text=True, **self._as(container))
            if asked.returncode == 0:
                return
            assert time.monotonic() < until, (
                f"{container.name}: {asked.stdout}{asked.stderr}\n{self.log(container.name)}"
            )
            time.sleep(0.1)

    def _make_database(self, container: Container) -> None:
        """Do what the image's entry point does where there is no database yet."""
        files, how = self._root(container) / "var/lib/postgresql/data", self._as(container)
        password = self._root(container) / "run/secrets/postgres-password"
        assert how["env"].pop("POSTGRES_PASSWORD_FILE") == str(password)
        arguments = how["env"].pop("POSTGRES_INITDB_ARGS").split()
        initdb = [
            str(postgres_program("initdb")),
            "-D",
            str(files),
            "--username=postgres",
            f"--pwfile={password}",
            *arguments,
        ]
        control = [str(postgres_program("pg_ctl")), "-D", str(files), "-w", "-l", str(files.parent / "first.log")]
        socket = f"-c listen_addresses='' -c unix_socket_directories={self._root(container)}/tmp"
        how["env"] |= {"POSTGRES_PASSWORD": password.read_text().strip(), "PGHOST": f"{self._root(container)}/tmp"}
        steps = [
            initdb,
            [*control, "-o", socket, "start"],
            *self._first_scripts(container),
            [*control, "-m", "fast", "stop"],
        ]
        for step in steps:
            subprocess.run(step, check=True, capture_output=True, text=True, **how)
        with (files / "pg_hba.conf").open("a") as rules:
            rules.write("host all all all scram-sha-256\n")

    def _first_scripts(self, container: Container) -> list[list[str]]:
        there = [name for name in container.mounted if name.startswith("/docker-entrypoint-initdb.d/")]
        return [["sh", str(self._root(container) / name.removeprefix("/"))] for name in there]

    def _database_server(self) -> list[str]:
        """Return what the image of PostgreSQL runs at last."""
        settings = ["-c", "listen_addresses=*", "-c", "unix_socket_directories=/tmp"]
        return [str(postgres_program("postgres")), "-D", "/var/lib/postgresql/data", "-p", "5432", *settings]


def _copy(file: Path, to: Path) -> None:
    to.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(file, to)
    to.chmod(0o600)
