"""Finds the programs of real servers, a free port for each, and waits until they answer."""

import os
import pwd
import random
import shutil
import socket
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Protocol, TypeVar

INSTALL = "apt-get install -y mosquitto mosquitto-clients postgresql chromium poppler-utils nginx curl"


class Server(Protocol):
    """A server that is started, and closed with all that it left."""

    def start(self) -> None:
        """Start it and wait until it answers."""

    def close(self) -> None:
        """End it and remove what it has on disk."""


ServerT = TypeVar("ServerT", bound=Server)


@contextmanager
def running(server: ServerT) -> Iterator[ServerT]:
    """Start a server, and close it at the end of the block."""
    try:
        server.start()
        yield server
    finally:
        server.close()


class ProgramMissing(Exception):
    """A server's program is not on this machine; the text names the command that installs it."""


def find_program(name: str, folders: Iterable[Path] = ()) -> Path:
    """Return a program from these folders, else from PATH and /usr/sbin; raise ProgramMissing."""
    places = [str(folder) for folder in folders]
    places += [*os.environ.get("PATH", "").split(os.pathsep), "/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin"]
    found = shutil.which(name, path=os.pathsep.join(places))
    if found is None:
        raise ProgramMissing(f"{name} is not installed: {INSTALL}")
    return Path(found)


def other_user(name: str) -> dict[str, Any]:
    """Return what makes a child process another user's where we are root, as these servers want: `name`, else nobody."""
    if os.geteuid() != 0:
        return {}
    accounts = {entry.pw_name: entry for entry in pwd.getpwall()}
    account = accounts.get(name) or accounts["nobody"]
    return {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}


def give_away(directory: Path, user: dict[str, Any]) -> None:
    """Make a directory that user's whom `other_user` returned."""
    if user:
        os.chown(directory, user["user"], user["group"])


def free_port() -> int:
    """Return a port of 127.0.0.1 on which nothing listens now.

    It lies below the ports that systems give to outgoing connections, so that none of those takes it while its server
    is down.
    """
    for port in random.sample(range(15_000, 32_000), 1000):
        with socket.socket() as listener:
            try:
                listener.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise OSError("no free port")


def wait_until(holds: Callable[[], bool], what: str, deadline_s: float = 20.0) -> None:
    """Return once `holds` does; raise TimeoutError that names `what` after the deadline."""
    end = time.monotonic() + deadline_s
    while not holds():
        if time.monotonic() > end:
            raise TimeoutError(f"{what}: not within {deadline_s:g} s")
        time.sleep(0.03)


def accepts_connections(port: int) -> bool:
    """Tell whether something listens on this port of 127.0.0.1."""
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return True
    except OSError:
        return False


def bytes_of(files: Iterable[Path]) -> int:
    """Return how large files are together; one that is gone by then has none."""
    size = 0
    for file in files:
        with suppress(FileNotFoundError):
            size += file.stat().st_size
    return size
