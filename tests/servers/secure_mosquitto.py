"""A real Mosquitto with the whole shipped configuration: TLS, certificates, passwords and access rules, on free ports."""

import re
import subprocess
from pathlib import Path

from tests.servers.mosquitto import SHIPPED, Mosquitto
from tests.servers.programs import find_program, free_port, give_away

RULES = SHIPPED.with_name("mosquitto-acl")


class SecureMosquitto(Mosquitto):
    """One broker with a folder of certificates, as `zoneledger certificates` makes it; `port` is the service's."""

    def __init__(self, certificates: Path, accounts: dict[str, str] | None = None) -> None:
        super().__init__()
        self._ports = {number: free_port() for number in ("8883", "8884")} | {"8885": self.port}
        self.show(certificates / "broker.pem", certificates / "broker.key", certificates / "ca.pem")
        self._lend("mosquitto-acl", RULES.read_bytes())
        self._lend("broker-passwords", "".join(f"{one}:{word}\n" for one, word in (accounts or {}).items()).encode())
        if accounts:
            command = [str(find_program("mosquitto_passwd")), "-U", str(self._directory / "broker-passwords")]
            subprocess.run(command, check=True)
            give_away(self._directory / "broker-passwords", self._as_user)

    @property
    def url(self) -> str:
        """The URL for the service."""
        return f"mqtts://127.0.0.1:{self.port}"

    @property
    def cells_url(self) -> str:
        """The URL for controllers with a certificate."""
        return f"mqtts://127.0.0.1:{self._ports['8883']}"

    def password_url(self, account: str = "") -> str:
        """The URL for controllers with a password; `account` is what stands before the host."""
        return f"mqtts://{account}{'@' if account else ''}127.0.0.1:{self._ports['8884']}"

    def show(self, certificate: Path, key: Path, ca: Path) -> None:
        """Lend it these files in the place of its own; it reads them at its start, or when told."""
        for name, file in (("broker-certificate", certificate), ("broker-key", key), ("broker-ca", ca)):
            self._lend(name, file.read_bytes())

    def _lend(self, name: str, content: bytes) -> None:
        path = self._directory / name
        path.write_bytes(content)
        path.chmod(0o600)
        give_away(path, self._as_user)

    def _configuration(self) -> str:
        text = SHIPPED.read_text()
        for number, port in self._ports.items():
            text = re.sub(rf"^listener {number}$", f"listener {port} 127.0.0.1", text, flags=re.MULTILINE)
        return re.sub(r"(?<=\s)(/run/secrets/|/mosquitto/config/|/mosquitto/data/)", f"{self._directory}/", text)
