"""The rule of starting: open to others only with authentication behind a proxy that encrypts, or where that is meant."""

from pathlib import Path

import pytest
from pydantic import ValidationError
from typer.testing import CliRunner

from tests.servers.programs import free_port
from zoneledger.settings import Settings
from zoneledger_cli.main import app
from zoneledger_cli.starting import check_start, exposure

HOSTS_OF_THIS_MACHINE = ["127.0.0.1", "127.8.9.10", "::1", "localhost"]
HOSTS_OF_OTHERS = [
    "0.0.0.0",
    "::",
    "192.0.2.1",
    "10.0.0.7",
    "ledger.example",
    "::ffff:127.0.0.1",
    "127.1",
    "localhost.",
    "",
]
PROXY = "10.0.0.7"


@pytest.fixture(autouse=True)
def _nothing_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HOST", "AUTHENTICATE", "PROXY", "OPEN_TO_NETWORK"):
        monkeypatch.delenv(f"ZONELEDGER_{name}", raising=False)


def _starts(host: str, *, authenticate: bool, proxy: str | None, open_to_network: bool) -> bool:
    settings = Settings(host=host, authenticate=authenticate, proxy=proxy, open_to_network=open_to_network)
    try:
        check_start(settings)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize("host", [*HOSTS_OF_THIS_MACHINE, *HOSTS_OF_OTHERS])
@pytest.mark.parametrize("authenticate", [False, True])
@pytest.mark.parametrize("proxy", [None, PROXY])
def test_it_starts_where_the_rule_lets_it(host: str, authenticate: bool, proxy: str | None) -> None:
    is_local = host in HOSTS_OF_THIS_MACHINE
    may_start = authenticate if proxy else is_local
    assert _starts(host, authenticate=authenticate, proxy=proxy, open_to_network=False) is may_start
    assert _starts(host, authenticate=authenticate, proxy=proxy, open_to_network=True)


SAID = "zoneledger: the service does not start, as others can reach the service"
#: Host, whether callers are asked who they are, the proxy, and what is said.
REFUSED: list[tuple[dict[str, str], str]] = [
    (
        {"ZONELEDGER_HOST": "0.0.0.0"},
        f"{SAID} at 0.0.0.0: set ZONELEDGER_AUTHENTICATE=true, so that it asks who they are, and ZONELEDGER_PROXY to "
        "the address of the proxy before it that encrypts; or listen on 127.0.0.1 without a proxy, or set "
        "ZONELEDGER_OPEN_TO_NETWORK=true (--open-to-network) to let everybody in who reaches it\n",
    ),
    (
        {"ZONELEDGER_HOST": "0.0.0.0", "ZONELEDGER_AUTHENTICATE": "true"},
        f"{SAID} at 0.0.0.0: set ZONELEDGER_PROXY to the address of the proxy before it that encrypts; or ",
    ),
    (
        {"ZONELEDGER_PROXY": "127.0.0.1"},
        f"{SAID} by the proxy 127.0.0.1: set ZONELEDGER_AUTHENTICATE=true, so that it asks who they are; or ",
    ),
]


@pytest.mark.parametrize(("settings", "told"), REFUSED)
def test_where_it_does_not_start_it_says_what_to_set_and_touches_nothing(
    settings: dict[str, str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = CliRunner().invoke(app, ["serve", "--port", str(free_port())], env=settings)
    assert ended.exit_code == 1
    assert ended.stderr.startswith(told)
    assert ended.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_where_it_is_meant_the_log_says_so_loudly(caplog: pytest.LogCaptureFixture) -> None:
    check_start(Settings(host="0.0.0.0", open_to_network=True))
    (record,) = caplog.records
    assert record.levelname == "WARNING"
    assert record.getMessage().startswith(
        "OPEN TO THE NETWORK, as ZONELEDGER_OPEN_TO_NETWORK=true has it: others can reach "
    )


def test_where_nothing_is_open_nothing_is_said(caplog: pytest.LogCaptureFixture) -> None:
    for settings in (Settings(open_to_network=True), Settings(host="::", authenticate=True, proxy=PROXY)):
        check_start(settings)
        assert exposure(settings) is None
    assert caplog.records == []


#: Settings that there cannot be, and what is said of each.
WRONG: list[tuple[dict[str, str], str]] = [
    ({"proxy": "*"}, "addresses or networks"),
    ({"proxy": "nginx"}, "addresses or networks"),
    ({"proxy": "10.0.0.7/24"}, "addresses or networks"),
    ({"proxy": "10.0.0.7, all"}, "addresses or networks"),
    ({"proxy": "0.0.0.0/0"}, "name the proxy"),
    ({"proxy": "::/0"}, "name the proxy"),
    ({"proxy": " , "}, "name an address"),
    ({"token_algorithms": "HS256"}, "some of RS256, ES256, EdDSA"),
    ({"token_algorithms": "RS256,none"}, "some of RS256, ES256, EdDSA"),
    ({"token_algorithms": "rs256"}, "some of RS256, ES256, EdDSA"),
    ({"token_algorithms": ","}, "some of RS256, ES256, EdDSA"),
    (
        {"token_issuer": "https://identity.example"},
        "ZONELEDGER_TOKEN_AUDIENCE and ZONELEDGER_TOKEN_KEYS should be set, too",
    ),
    ({"token_audience": "zoneledger", "token_keys": "keys.json"}, "ZONELEDGER_TOKEN_ISSUER should be set, too"),
    ({"token_issuer": "https://identity.example "}, "no space"),
    ({"token_keys": "http://identity.example/keys"}, "https"),
    ({"token_keys": "file:///keys.json"}, "https"),
    ({"token_keys": "ftp://127.0.0.1/keys"}, "https"),
    ({"token_keys": "http://127.0.0.1.example/keys"}, "https"),
    ({"token_keys": "http://[::1/keys"}, "IPv6"),
]


@pytest.mark.parametrize(("settings", "told"), WRONG)
def test_a_setting_of_access_that_there_cannot_be_is_refused(settings: dict[str, str], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        Settings(**settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "keys", ["keys.json", "/etc/zoneledger/keys.json", "https://identity.example/keys", "http://[::1]:8080/keys"]
)
def test_keys_are_taken_from_a_file_or_where_nobody_on_the_way_may_change_them(keys: str) -> None:
    settings = Settings(token_issuer="https://identity.example", token_audience="zoneledger", token_keys=keys)
    assert settings.token_keys == keys


def test_several_proxies_may_be_named() -> None:
    assert Settings(proxy="10.0.0.7, 10.1.0.0/28,fd00::/64").proxies == ["10.0.0.7", "10.1.0.0/28", "fd00::/64"]
    assert Settings().proxies == []


@pytest.mark.parametrize("text", [None, "", "{", '{"keys": []}', '{"keys": [{"kty": "oct", "k": "AAAA", "kid": "1"}]}'])
def test_a_file_without_keys_stops_the_service_before_it_makes_a_database(
    text: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    if text is not None:
        Path("keys.json").write_text(text)
    environment = {"ISSUER": "https://identity.example", "AUDIENCE": "zoneledger", "KEYS": "keys.json"}
    env = {f"ZONELEDGER_TOKEN_{name}": value for name, value in environment.items()}
    ended = CliRunner().invoke(app, ["serve", "--port", str(free_port())], env=env)
    assert ended.exit_code == 1
    assert ended.stderr.startswith("zoneledger: ZONELEDGER_TOKEN_KEYS: keys.json has no keys to check tokens with: ")
    assert list(tmp_path.iterdir()) == ([] if text is None else [tmp_path / "keys.json"])
