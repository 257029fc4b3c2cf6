"""The page on installing: what its commands make of the shipped files is what those files want."""

import re
import subprocess
from pathlib import Path

from tests.docs.pages import ROOT, blocks, read

PAGE = read("docs/install.md")
UNIT = read("deploy/systemd/zoneledger.service")


def commands(way: str) -> str:
    """Return all commands of a way, in their order, each on one line."""
    told = [block.text for block in blocks(PAGE) if block.words == ("sh", way)]
    return re.sub(r" \\\n\s*", " ", "".join(told))


def made_by_sed(name: str) -> str:
    """Return what the page's sed makes of a shipped file."""
    command = next(
        line for line in commands("debian").splitlines() if line.startswith("sed ") and f"deploy/{name}" in line
    )
    shell = command.partition(" | sudo tee ")[0]
    return subprocess.run(["sh", "-c", shell], cwd=ROOT, capture_output=True, text=True, check=True).stdout


def test_nginx_without_containers_has_its_files_and_ports_where_the_page_puts_them() -> None:
    made = made_by_sed("nginx.conf")
    assert made.startswith("user www-data;\n")
    assert "server 127.0.0.1:8000;" in made
    assert "listen 80;" in made
    assert "listen 443 ssl http2;" in made
    assert set(re.findall(r"^\s*ssl_certificate(?:_key)? (.*);$", made, re.MULTILINE)) == {
        "/etc/zoneledger/secrets/web.pem",
        "/etc/zoneledger/secrets/web.key",
    }
    assert "/run/secrets" not in made


def test_the_broker_without_containers_has_its_files_and_keeps_the_services_port_to_the_machine() -> None:
    made = made_by_sed("mosquitto.conf")
    files = set(re.findall(r"^(?:cafile|certfile|keyfile|password_file|acl_file) (.*)$", made, re.MULTILINE))
    installed = re.findall(r"^sudo install -o mosquitto .* (\S+)$", commands("debian"), re.MULTILINE)
    assert files == set(installed)
    assert "listener 8885 127.0.0.1\n" in made
    assert "persistence_location /var/lib/mosquitto/\n" in made
    assert not re.search(
        "^[^#]*(/run/secrets|/mosquitto/)",
        made.replace("/etc/mosquitto/", "").replace("/lib/mosquitto/", ""),
        re.MULTILINE,
    )


def test_new_certificates_go_where_the_first_ones_went() -> None:
    lines = [line for line in commands("renew").splitlines() if line.startswith("sudo install ")]
    assert len(lines) == 2
    assert set(lines) <= set(commands("debian").splitlines())


def test_copies_are_made_and_restored_on_debian_and_with_containers_as_they_are_tried_elsewhere() -> None:
    told = {block.words[1:]: block.text for block in blocks(read("docs/backup.md")) if block.words[:1] == ("sh",)}
    for what in ("backup", "restore"):
        on_debian, with_containers = told[what, "debian"], told[what, "containers"]
        assert on_debian.replace("sudo -u postgres ", "") == told[what, "postgresql"]
        assert (
            with_containers.replace("docker compose exec -T postgres ", "").replace(" -U postgres", "")
            == told[what, "postgresql"]
        )


def test_what_the_unit_wants_is_what_the_page_installs() -> None:
    debian = commands("debian")
    for path in ("/etc/zoneledger/settings", "/etc/zoneledger/secrets", "/opt/zoneledger", "/var/lib/zoneledger"):
        assert path in debian
        assert path in UNIT
    assert "useradd" in debian
    assert "User=zoneledger" in UNIT.splitlines()
    for path in re.findall(r"^LoadCredential=.*:(.*)$", UNIT, re.MULTILINE):
        assert path.startswith("/etc/zoneledger/secrets/")
        assert Path(path).name in {"database-password", "ca.pem", "service.pem", "service.key"}


def test_a_machine_without_a_network_installs_what_was_put_into_the_wheelhouse() -> None:
    offline, makefile = commands("offline"), read("Makefile")
    assert "build/wheelhouse" in makefile
    assert offline.count("--no-index") == 2
    assert "--require-hashes -r build/wheelhouse/requirements-runtime.lock" in offline


def test_the_commands_with_containers_name_what_there_is() -> None:
    compose = commands("compose")
    assert "zoneledger:0.1.0 sh /deploy/secrets.sh" in compose
    assert "--broker mosquitto " in compose
    assert "--profile simulator" in compose
