"""A real Mosquitto with the shipped configuration on a free port; it can be stopped, killed and started again."""

import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

from tests.servers.programs import (
    accepts_connections,
    bytes_of,
    find_program,
    free_port,
    give_away,
    other_user,
    wait_until,
)

SHIPPED = Path(__file__).parents[2] / "deploy" / "mosquitto.conf"
#: What is left out of the shipped configuration: where its files are, and who is let in. `SecureMosquitto` keeps all of it.
_OVERRIDDEN = {
    *("listener", "cafile", "certfile", "keyfile", "tls_version", "require_certificate", "use_identity_as_username"),
    *("use_username_as_clientid", "allow_anonymous", "password_file", "acl_file", "persistence_location", "log_dest"),
}


class Mosquitto:
    """One broker; what it persisted outlives `stop` and `kill` and is read again by `start`."""

    def __init__(self) -> None:
        self._program = find_program("mosquitto")
        self._directory = Path(tempfile.mkdtemp(prefix="zoneledger-mosquitto-"))
        self._as_user = other_user("mosquitto")
        give_away(self._directory, self._as_user)
        self._process: subprocess.Popen[bytes] | None = None
        self._passwords: Path | None = None
        self._rules: Path | None = None
        self.port = free_port()

    @property
    def url(self) -> str:
        """The broker's URL as the service takes it."""
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it and wait until it listens."""
        configuration = self._directory / "mosquitto.conf"
        configuration.write_text(self._configuration())
        with (self._directory / "log").open("ab") as log:
            command = [str(self._program), "-c", str(configuration)]
            self._process = subprocess.Popen(command, stderr=log, stdout=log, start_new_session=True, **self._as_user)
        wait_until(self._answers, f"mosquitto on port {self.port}")

    def stop(self) -> None:
        """End it as an operator would: it writes its state first."""
        self._end(kill=False)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(kill=True)

    def close(self) -> None:
        """End it and remove what it kept."""
        self.stop()
        shutil.rmtree(self._directory, ignore_errors=True)

    def log(self) -> str:
        """Return what it logged so far."""
        return (self._directory / "log").read_text(errors="replace")

    def forget(self) -> None:
        """Remove what it persisted, sessions and all; only while it is ended."""
        for kept in self._directory.glob("mosquitto.db*"):
            kept.unlink()

    def read_anew(self) -> None:
        """Let it read its certificates, rules and passwords anew, as an operator would; who is connected stays."""
        assert self._process is not None
        self._process.send_signal(signal.SIGHUP)

    def persisted(self) -> int:
        """Return how many bytes it has persisted: sessions, and what is queued for them."""
        return bytes_of([self._directory / "mosquitto.db"])

    def admit(self, accounts: dict[str, str]) -> None:
        """Let in only these users with their passwords, from now on: whoever is connected with others is thrown out."""
        self._passwords = self._directory / "passwords"
        self._passwords.write_text("".join(f"{user}:{password}\n" for user, password in accounts.items()))
        subprocess.run([str(find_program("mosquitto_passwd")), "-U", str(self._passwords)], check=True)
        give_away(self._passwords, self._as_user)
        (self._directory / "mosquitto.conf").write_text(self._configuration())
        if self._process is not None:
            self._process.send_signal(signal.SIGHUP)

    def permit(self, rules: list[str]) -> None:
        """Let everybody do only what these lines of an access control list allow, from now on."""
        self._rules = self._directory / "rules"
        self._rules.write_text("\n".join([*rules, ""]))
        give_away(self._rules, self._as_user)
        self.stop()
        self.start()

    def _configuration(self) -> str:
        shipped = SHIPPED.read_text().splitlines()
        kept = [line for line in shipped if line.split(" ")[0] not in _OVERRIDDEN]
        own = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous true"
            if self._passwords is None
            else f"allow_anonymous false\npassword_file {self._passwords}",
            f"persistence_location {self._directory}/",
            "log_dest stderr",
            *([] if self._rules is None else [f"acl_file {self._rules}"]),
        ]
        return "\n".join([*kept, *own, ""])

    def _answers(self) -> bool:
        if self._process is None or self._process.poll() is not None:
            raise RuntimeError(f"mosquitto ended while it started:\n{self.log()}")
        return accepts_connections(self.port)

    def _end(self, *, kill: bool) -> None:
        if self._process is None:
            return
        if kill:
            self._process.kill()
        else:
            self._process.terminate()
        self._process.wait(timeout=20)
        self._process = None
