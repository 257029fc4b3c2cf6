"""What a service tells at its start about who may be let in, and what it notes; and the whole of it over HTTP."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx
import pytest
from typer.testing import CliRunner

from tests.faults.launching import ForkedService
from tests.integration.identity.issuer import AUDIENCE, NAME, Issuer
from zoneledger.application.keyring import AuditEntry
from zoneledger.asgi import open_service
from zoneledger.bootstrap import Service
from zoneledger.clock import now_us
from zoneledger.settings import Settings
from zoneledger_cli.main import app

PLANT = '{"sites": [{"site": "harbour", "timezone": "Europe/Lisbon", "lines": []}]}'
NOBODY = "nobody is let in, as there is no key yet"


def _issuer_settings(keys: Path) -> dict[str, str]:
    return {"token_issuer": NAME, "token_audience": AUDIENCE, "token_keys": str(keys)}


async def _close(service: Service) -> None:
    await service.store.close()
    await service.aside.close()


async def _entries(service: Service) -> list[AuditEntry]:
    async with service.store.reading() as reading:
        return await reading.audit(0, 100)


@pytest.fixture
def make_key(database_url: str) -> Callable[..., str]:
    """Make a key by the command."""

    def make(*flags: str) -> str:
        made = CliRunner().invoke(app, ["key", "create", "first", *flags, "--database", database_url])
        assert made.exit_code == 0, made.output
        return made.stdout.strip()

    return make


def test_where_nobody_can_be_let_in_the_log_says_so(
    database_url: str, make_key: Callable[..., str], keys_file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def says_so(**settings: Any) -> bool:
        caplog.clear()
        asyncio.run(_open_and_close(Settings(database_url=database_url, **settings)))
        return NOBODY in caplog.text

    assert says_so(authenticate=True)
    assert not says_so()
    assert not says_so(authenticate=True, **_issuer_settings(keys_file))
    id = make_key("--scope", "read").split("_")[1]
    assert not says_so(authenticate=True)
    CliRunner().invoke(app, ["key", "revoke", id, "--database", database_url])
    assert says_so(authenticate=True)


async def _open_and_close(settings: Settings) -> None:
    await _close(await open_service(settings))


async def test_a_plant_model_of_the_file_is_noted_once(database_url: str, tmp_path: Path) -> None:
    plant = tmp_path / "plant.json"
    plant.write_text(PLANT)
    for _ in range(2):
        service = await open_service(Settings(database_url=database_url, plant=plant))
        noted = [tuple(entry.row[1:]) for entry in await _entries(service)]
        assert noted == [("plant", "start of the service", "", "version 1 from plant.json")]
        await _close(service)


def test_a_service_lets_in_who_has_a_key_or_a_token_and_notes_who_has_not(
    database_url: str, issuer: Issuer, keys_file: Path, make_key: Callable[..., str]
) -> None:
    reader, admin = make_key("--scope", "read"), make_key("--scope", "admin")
    now_s = now_us() // 1_000_000
    token, old = issuer.token(iat=now_s, exp=now_s + 600), issuer.token(iat=now_s - 900, exp=now_s - 300)
    set_ = {f"ZONELEDGER_{name.upper()}": value for name, value in _issuer_settings(keys_file).items()}
    with ForkedService("--database", database_url, settings=set_ | {"ZONELEDGER_AUTHENTICATE": "true"}) as service:

        def asked(credential: str | None, path: str = "/v1/units", method: str = "GET") -> int:
            headers = {} if credential is None else {"authorization": f"Bearer {credential}"}
            content = PLANT if method == "PUT" else None
            return httpx.request(method, f"{service.url}{path}", headers=headers, content=content).status_code

        assert [asked(one) for one in (reader, admin, token)] == [200, 200, 200]
        assert [asked(one) for one in (None, reader[:-1], token[:-1], old)] == [401] * 4
        assert [asked(one, "/v1/plant", "PUT") for one in (reader, token, None, admin)] == [403, 403, 401, 200]
        id = reader.split("_")[1]
        assert CliRunner().invoke(app, ["key", "revoke", id, "--database", database_url]).exit_code == 0
    log = service.log()
    told = CliRunner().invoke(app, ["audit", "--database", database_url]).stdout
    assert "plant by first (key) from 127.0.0.1: version 1" in told
    assert f"revoked {id} of first" in told
    assert " refused by nobody known from 127.0.0.1: " in told
    assert " refused by planner (token) from 127.0.0.1: " in told
    secrets = [one.split("_", 2)[2] for one in (reader, admin)] + [token, json.dumps(token)]
    assert [one for one in secrets if one in log or one in told] == []
