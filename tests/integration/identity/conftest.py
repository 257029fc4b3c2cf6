"""An issuer, and what tells who calls: on a store in memory, by the issuer's keys in a file, with a clock that tests set."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.fakes.memory_store import MemoryStore
from tests.integration.identity.issuer import AUDIENCE, NAME, NOW_S, Issuer
from zoneledger.application.callers import Callers
from zoneledger.application.ports import Store
from zoneledger.identity import JwtTokens, TokenRules

ALGORITHMS = ("RS256", "ES256", "EdDSA")


class Clock:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.now_s = float(NOW_S)

    def __call__(self) -> int:
        return round(self.now_s * 1e6)


@pytest.fixture(scope="session")
def signing() -> Issuer:
    """An issuer whose keys are made once; each test has a copy of what it publishes."""
    return Issuer()


@pytest.fixture
def issuer(signing: Issuer) -> Issuer:
    """The issuer as it is at first."""
    signing.published = {"keys": [signing.jwk(kid) for kid in ("rsa-1", "ec-1", "ed-1")]}
    return signing


@pytest.fixture
def clock() -> Clock:
    """The clock of the service."""
    return Clock()


@pytest.fixture
def store() -> Store:
    """An empty store."""
    return MemoryStore()


@pytest.fixture
def keys_file(issuer: Issuer, tmp_path: Path) -> Path:
    """A file with the issuer's keys."""
    path = tmp_path / "keys.json"
    path.write_text(json.dumps(issuer.published))
    return path


@pytest.fixture
def make_callers(clock: Clock, store: Store) -> Callable[[str], Callers]:
    """Make what tells who calls, with the issuer's keys at a place."""

    def make(source: str) -> Callers:
        rules = TokenRules(NAME, AUDIENCE, source, ALGORITHMS)
        return Callers(store, clock, JwtTokens(rules, clock), required=True)

    return make


@pytest.fixture
def callers(make_callers: Callable[[str], Callers], keys_file: Path) -> Callers:
    """What tells who calls, with the issuer's keys in a file."""
    return make_callers(str(keys_file))
