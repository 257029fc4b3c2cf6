"""A real nginx with the shipped configuration on free ports, before whatever listens on another one."""

import re
import shutil
import ssl
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

import trustme

from tests.servers.programs import accepts_connections, find_program, free_port, give_away, other_user, wait_until

SHIPPED = Path(__file__).parents[2] / "deploy" / "nginx.conf"
_KEPT = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")


def with_folders(configuration: str, directory: Path) -> str:
    """Return a configuration with folders that the program has for what it keeps a while, where those built into it are root's."""
    kept = [f"{what}_temp_path {directory}/{what};" for what in _KEPT] + [f"access_log {directory}/access.log;"]
    lines = "".join(f"\n    {line}" for line in kept)
    return re.sub(r"^http \{$", f"http {{{lines}", configuration, count=1, flags=re.MULTILINE)


class Nginx:
    """nginx with TLS before a port of 127.0.0.1, as another user than root; `replaced` says what else of its files lies elsewhere."""

    def __init__(self, service_port: int, replaced: Mapping[str, str] | None = None) -> None:
        self._program = find_program("nginx")
        self._directory = Path(tempfile.mkdtemp(prefix="zoneledger-nginx-"))
        self._as_user = other_user("www-data")
        self._process: subprocess.Popen[bytes] | None = None
        self.port, self.plain_port = free_port(), free_port()
        self._authority = trustme.CA()
        self._replaced = {
            "zoneledger:8000": f"127.0.0.1:{service_port}",
            "listen 8443": f"listen 127.0.0.1:{self.port}",
            "listen 8080": f"listen 127.0.0.1:{self.plain_port}",
            "/var/log/nginx/": f"{self._directory}/",
            **self._own_certificate(),
            **(replaced or {}),
        }

    @property
    def url(self) -> str:
        """The address that clients use."""
        return f"https://127.0.0.1:{self.port}"

    @property
    def trusting(self) -> ssl.SSLContext:
        """What a client trusts it by, where its certificate is one of its own."""
        context = ssl.create_default_context()
        self._authority.configure_trust(context)
        return context

    def start(self) -> None:
        """Start it and wait until it listens."""
        configuration = self._directory / "nginx.conf"
        configuration.write_text(self._configuration())
        for kept in self._directory.iterdir():
            give_away(kept, self._as_user)
        give_away(self._directory, self._as_user)
        main = f"daemon off; pid {self._directory}/pid;"
        command = [str(self._program), "-p", str(self._directory), "-c", str(configuration), "-g", main]
        with (self._directory / "said").open("ab") as said:
            self._process = subprocess.Popen(command, stderr=said, stdout=said, start_new_session=True, **self._as_user)
        wait_until(self._answers, f"nginx on port {self.port}")

    def close(self) -> None:
        """End it and remove what it kept."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=20)
        shutil.rmtree(self._directory, ignore_errors=True)

    def log(self) -> str:
        """Return what it said so far: at its start, and of errors."""
        return "".join(
            file.read_text(errors="replace") for file in map(self._file, ("said", "error.log")) if file.exists()
        )

    def _file(self, name: str) -> Path:
        return self._directory / name

    def _own_certificate(self) -> dict[str, str]:
        """Return where a certificate of its own lies, which `trusting` trusts."""
        issued = self._authority.issue_cert("localhost", "127.0.0.1")
        issued.private_key_pem.write_to_path(str(self._file("key")))
        for blob in issued.cert_chain_pems:
            blob.write_to_path(str(self._file("certificate")), append=True)
        return {
            "/run/secrets/web-certificate": f"{self._file('certificate')}",
            "/run/secrets/web-key": f"{self._file('key')}",
        }

    def _configuration(self) -> str:
        """Return the shipped configuration with the ports and folders of this one, and folders for what it keeps for a while."""
        text = SHIPPED.read_text()
        for there, here in self._replaced.items():
            assert there in text, there
            text = text.replace(there, here)
        return with_folders(text, self._directory)

    def _answers(self) -> bool:
        if self._process is None or self._process.poll() is not None:
            raise RuntimeError(f"nginx ended while it started:\n{self.log()}")
        return accepts_connections(self.port)
