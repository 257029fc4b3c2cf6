"""The commands about keys, and rebuild, on a database that nothing listens on yet, and what the audit log then says."""

import asyncio
import os
import pwd
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from zoneledger.bootstrap import build_service
from zoneledger.clock import now_us
from zoneledger.core.callers import Caller, Scope
from zoneledger.core.errors import NotAuthenticated
from zoneledger.storage.examining import examine_database
from zoneledger_cli.main import app

ADDRESS = "192.0.2.7"
CREATE = ["key", "create", "dashboard", "--scope", "read"]
#: Commands that leave the schema as it is.
LEAVING = [["key", "list"], ["key", "revoke", "x"], ["audit"], ["rebuild", "harbour/wing-1/cell-1"]]


def _run(*command: str) -> Result:
    return CliRunner().invoke(app, command)


def _done(*command: str) -> Result:
    ended = _run(*command)
    assert ended.exit_code == 0, ended.output
    return ended


def _caller(url: str, key: str) -> Caller:
    """Return who a service on a database takes a key for."""

    async def ask() -> Caller:
        service = build_service(url, authenticate=True)
        try:
            return await service.callers.caller(key, ADDRESS)
        finally:
            await service.store.close()

    return asyncio.run(ask())


def _made(url: str, *more: str) -> str:
    made = _done(*CREATE, *more, "--database", url)
    key = made.stdout.strip()
    assert re.fullmatch(r"zl_[0-9a-f]{12}_[A-Za-z0-9_-]{43}", key)
    return key


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> str:
    """Who runs the commands, though their environment says otherwise."""
    monkeypatch.setenv("LOGNAME", "somebody-else")
    return pwd.getpwuid(os.getuid()).pw_name


def test_the_first_key_is_made_before_there_is_a_database(bare_url: str) -> None:
    _made(bare_url)


def test_a_key_is_for_what_it_was_made(database_url: str) -> None:
    units = ["--unit", "harbour/wing-1", "--unit", "harbour/wing-2"]
    made = CliRunner().invoke(app, [*CREATE, "--scope", "ingest", *units, "--days", "2", "--database", database_url])
    assert made.exit_code == 0, made.output
    expected = frozenset({Scope.READ, Scope.INGEST})
    assert _caller(database_url, made.stdout.strip()) == Caller(
        "dashboard", expected, ("harbour/wing-1", "harbour/wing-2"), "key"
    )
    assert "the plant model has no unit harbour/wing-1 yet" in made.stderr
    assert "read, ingest over harbour/wing-1, harbour/wing-2, until " in made.stderr
    assert "it is not shown again" in made.stderr


def test_a_key_that_is_revoked_is_let_in_no_more(database_url: str, said: str) -> None:
    first, second = _made(database_url), _made(database_url)
    id = first.split("_")[1]
    assert _done("key", "revoke", id, "--database", database_url).stdout == f"key {id} of dashboard is revoked\n"
    _done("key", "revoke", id, "--database", database_url)
    with pytest.raises(NotAuthenticated, match="was revoked"):
        _caller(database_url, first)
    assert _caller(database_url, second)


def test_keys_are_listed_without_what_is_secret(database_url: str) -> None:
    assert _done("key", "list", "--database", database_url).stdout == "There are no keys.\n"
    keys = [_made(database_url), _made(database_url, "--unit", "harbour")]
    _done("key", "revoke", keys[0].split("_")[1], "--database", database_url)
    listed = _done("key", "list", "--database", database_url).stdout
    for key in keys:
        assert key.split("_")[1] in listed
        assert key.split("_", 2)[2] not in listed
    assert listed.count("revoked") == 1
    assert listed.count("all units") == 1


def test_the_audit_log_tells_what_was_done_to_keys(database_url: str, said: str) -> None:
    key = _made(database_url)
    id = key.split("_")[1]
    _done("key", "revoke", id, "--database", database_url)
    lines = _done("audit", "--database", database_url).stdout.splitlines()
    assert [line.partition(" ")[2] for line in lines] == [
        f"key by {said} from command line: created {id} for dashboard: read over all units, for 365 days",
        f"key by {said} from command line: revoked {id} of dashboard",
    ]
    assert _done("audit", "--last", "1", "--database", database_url).stdout.splitlines() == lines[1:]
    assert key.split("_", 2)[2] not in "\n".join(lines)


def test_an_account_without_a_name_is_told_by_its_number(bare_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "getuid", lambda: 2**31 - 7)
    _made(bare_url)
    assert f"key by account {2**31 - 7} from command line: created" in _done("audit", "--database", bare_url).stdout


@pytest.mark.parametrize(
    ("command", "told"),
    [
        (["key", "create", "x"], "Missing option '--scope'"),
        ([*CREATE[:-1], "everything"], "is not one of"),
        ([*CREATE, "--days", "0"], "is not in the range"),
        ([*CREATE, "--days", "3651"], "is not in the range"),
        (
            [*CREATE, "--unit", "Wing 1"],
            "a unit should be the path of a site, line or cell, such as harbour/wing-1, not",
        ),
        ([*CREATE, "--unit", "harbour/wing-1/cell-1/1"], "a unit should be the path of a site, line or cell"),
        (["key", "create", "a\nb", "--scope", "read"], "a key's name should have 1 to 60 characters"),
    ],
)
def test_a_key_that_there_cannot_be_is_not_made(command: list[str], told: str, tmp_path: Path) -> None:
    ended = _run(*command, "--database", f"sqlite:///{tmp_path / 'zoneledger.db'}")
    assert ended.exit_code != 0
    assert told in re.sub(r"[│\s]+", " ", ended.stderr)
    assert list(tmp_path.iterdir()) == []


def test_a_key_that_there_is_not_is_told(database_url: str) -> None:
    ended = _run("key", "revoke", "0" * 12, "--database", database_url)
    assert (ended.exit_code, ended.stderr.count("\n")) == (1, 1)
    assert ended.stderr.startswith(f"zoneledger: there is no key '{'0' * 12}'; ")


@pytest.mark.parametrize("command", LEAVING)
def test_a_schema_of_another_version_is_left_as_it_is(command: list[str], database_url: str) -> None:
    _done("migrate", "--to", "0010", "--database", database_url)
    ended = _run(*command, "--database", database_url)
    assert (ended.exit_code, ended.stderr.count("\n")) == (1, 1)
    assert "The database does not have the schema of this version" in ended.stderr
    assert asyncio.run(examine_database(database_url, now_us)).schema == "0010"
    _made(database_url)
    assert _run(*command, "--database", database_url).stderr.count("schema") == 0


@pytest.mark.parametrize("command", LEAVING)
def test_a_database_that_is_not_there_is_not_made_to_be_looked_at(command: list[str], tmp_path: Path) -> None:
    ended = _run(*command, "--database", f"sqlite:///{tmp_path / 'zoneledger.db'}")
    assert (ended.exit_code, ended.stderr.count("\n")) == (1, 1)
    assert "there is no file" in ended.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_key_of_a_database_that_is_made_for_it_says_so(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'zoneledger.db'}"
    first, second = (_done(*CREATE, "--database", url).stderr for _ in range(2))
    assert f"there is no file {tmp_path / 'zoneledger.db'} with a database yet: it is made" in first
    assert "it is made" not in second
