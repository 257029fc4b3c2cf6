"""Commands that speak to a service which asks who they are: by a key of the environment or of a file, and in plain words without."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from typer.testing import CliRunner, Result

from tests.faults.launching import ForkedService
from tests.integration.api.plant import CELL, PLANT, morning
from tests.servers.service import ServiceProcess
from zoneledger.environment import not_read
from zoneledger.settings import COMMANDS_KEY
from zoneledger_cli.asking import client_of
from zoneledger_cli.main import app
from zoneledger_cli.own_key import key_of

LINE = "bench/line-1"


class Asked:
    """A service, and keys by what they may do."""

    def __init__(self, service: ServiceProcess, database: str) -> None:
        self.service = service
        self._database = database

    def key(self, *flags: str) -> str:
        """Return a new key."""
        made = CliRunner().invoke(app, ["key", "create", "a test", *flags, "--database", self._database])
        assert made.exit_code == 0, made.output
        return made.stdout.strip()


@contextmanager
def _serving(directory: Path, plant: Path) -> Iterator[Asked]:
    """Run a service with authentication and a plant."""
    database, settings = f"sqlite:///{directory / 'zoneledger.db'}", {"ZONELEDGER_AUTHENTICATE": "true"}
    with ForkedService("--database", database, "--plant", str(plant), settings=settings) as service:
        yield Asked(service, database)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    """A service with authentication that knows a morning."""
    directory = tmp_path_factory.mktemp("own-key")
    plant = directory / "plant.json"
    plant.write_text(json.dumps(PLANT))
    with _serving(directory, plant) as found:
        headers = {"authorization": f"Bearer {found.key('--scope', 'ingest')}"}
        url = f"{found.service.url}/v1/messages"
        sent = httpx.post(url, json={"cell": CELL, "messages": morning()}, headers=headers)
        assert sent.json()["refused"] == []
        yield found


@pytest.fixture(autouse=True)
def without_a_key(monkeypatch: pytest.MonkeyPatch) -> None:
    """No key of whoever runs the tests."""
    monkeypatch.delenv(COMMANDS_KEY, raising=False)


def _run(*command: str, key: str | None = None) -> Result:
    return CliRunner().invoke(app, command, env={COMMANDS_KEY: key} if key else {})


def _commands(asked: Asked, folder: Path) -> dict[str, list[str]]:
    """Return a command of each kind that only reads or hands in what is known already."""
    (folder / "messages.jsonl").write_text(json.dumps({"cell": CELL, "messages": morning()[:3]}) + "\n")
    against = ["--against", asked.service.url]
    return {
        "refused": ["refused", *against],
        "retry": ["retry", *against],
        "report": ["report", LINE, "--shift", "2026-03-02/early", *against, "--html", str(folder / "sheet.html")],
        "doctor": ["doctor", "--cell", CELL, *against],
        "import": ["import", str(folder / "messages.jsonl"), *against, "--wait", "5"],
    }


NAMES = ("refused", "retry", "report", "doctor", "import")


@pytest.mark.parametrize("name", NAMES)
def test_a_command_without_a_key_says_where_to_name_one(asked: Asked, tmp_path: Path, name: str) -> None:
    ended = _run(*_commands(asked, tmp_path)[name])
    assert ended.exit_code in (1, 2), ended.output
    assert "answered 401" in ended.output
    assert COMMANDS_KEY in ended.output
    assert "--key-file" in ended.output


@pytest.mark.parametrize("name", NAMES)
def test_a_command_that_may_not_says_what_its_key_lacks(asked: Asked, tmp_path: Path, name: str) -> None:
    ended = _run(*_commands(asked, tmp_path)[name], key=asked.key("--scope", "reasons"))
    assert ended.exit_code in (1, 2), ended.output
    assert "answered 403" in ended.output
    assert "This takes the scope" in ended.output


@pytest.mark.parametrize("name", NAMES)
def test_a_command_asks_with_the_key_of_the_environment_or_of_a_file(asked: Asked, tmp_path: Path, name: str) -> None:
    command, key = _commands(asked, tmp_path)[name], asked.key("--scope", "read", "--scope", "ingest")
    file = tmp_path / "key"
    file.write_text(f"{key}\n")
    for ended in (_run(*command, key=key), _run(*command, "--key-file", str(file), key="zl_wrong")):
        assert ended.exit_code == 0 or (name, ended.exit_code) in {("doctor", 1), ("doctor", 3)}, ended.output
        assert key not in ended.output
    if name == "report":
        assert key not in (tmp_path / "sheet.html").read_text()


def test_a_simulation_is_sent_and_verified_with_a_key(tmp_path: Path) -> None:
    begin = ["simulate", "--start", "2026-03-02T06:00:00Z", "--hours", "0.1", "--cells", "1"]
    plant, ledger = tmp_path / "plant.json", tmp_path / "sent.jsonl"
    assert _run(*begin, "--plant", str(plant)).exit_code == 0
    with _serving(tmp_path, plant) as asked:
        to = ["--url", asked.service.url, "--ledger", str(ledger)]
        refused = _run(*begin, *to)
        assert refused.exit_code == 1
        assert COMMANDS_KEY in refused.output
        assert _run(*begin, *to, key=asked.key("--scope", "ingest")).exit_code == 0
        verify = ["verify", str(ledger), "--against", asked.service.url]
        assert "answered 401" in _run(*verify).output
        verified = _run(*verify, key=asked.key("--scope", "read"))
        assert verified.exit_code == 0, verified.output


@pytest.mark.parametrize("name", NAMES)
def test_a_command_sends_no_key_in_plain_text_to_another_machine(asked: Asked, tmp_path: Path, name: str) -> None:
    elsewhere = "http://zoneledger.invalid:8000"
    command = [elsewhere if part == asked.service.url else part for part in _commands(asked, tmp_path)[name]]
    ended = _run(*command, key="zl_not_for_everybody")
    assert ended.exit_code in (1, 2)
    assert ended.stderr.startswith(f"zoneledger: no key is sent to {elsewhere}: everybody on the way could read it; ")
    assert "zl_not" not in ended.output


def test_a_simulation_sends_no_key_in_plain_text_to_another_machine() -> None:
    begin = ["simulate", "--start", "2026-03-02T06:00:00Z", "--hours", "0.1", "--cells", "1"]
    ended = _run(*begin, "--url", "http://192.0.2.1:8000", key="zl_not_for_everybody")
    assert ended.exit_code == 1
    assert "no key is sent to http://192.0.2.1:8000: " in ended.stderr


@pytest.mark.parametrize(
    "url", ["https://zoneledger.invalid", "http://127.0.0.1:8000", "http://[::1]:8000", "HTTP://localhost"]
)
async def test_a_key_is_sent_over_tls_or_within_this_machine(url: str) -> None:
    async with client_of(url, "zl_a_b") as client:
        assert client.headers["authorization"] == "Bearer zl_a_b"


@pytest.mark.parametrize(
    "url", ["http://zoneledger.invalid", "HTTP://10.0.0.1", "http://127.0.0.1.example", "http://a@192.0.2.1/"]
)
def test_no_other_address_has_a_key_and_any_may_be_asked_without(url: str) -> None:
    with pytest.raises(ValueError, match="https://"):
        client_of(url, "zl_a_b")
    assert "authorization" not in client_of(url).headers


def test_a_key_is_no_setting_of_the_service_and_no_slip_of_the_pen() -> None:
    assert not_read([COMMANDS_KEY]) == []
    assert len(not_read([f"{COMMANDS_KEY}S"])) == 1


def test_no_key_is_one_word_of_an_empty_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    assert key_of(None) is None
    monkeypatch.setenv(COMMANDS_KEY, "  ")
    assert key_of(None) is None


@pytest.mark.parametrize("text", ["", "two words", "zl_é", "one\ntwo"])
def test_a_file_without_a_key_is_told_as_such_without_what_it_holds(tmp_path: Path, text: str) -> None:
    file = tmp_path / "key"
    file.write_text(text)
    with pytest.raises(ValueError, match="holds no key") as raised:
        key_of(file)
    assert not text or text not in str(raised.value)


def test_a_key_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="cannot be read: No such file"):
        key_of(tmp_path / "nothing")
