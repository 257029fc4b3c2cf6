"""An issuer's keys (a JWK set, RFC 7517): read from a file or over HTTP, remembered, and read anew."""

import asyncio
import json
import logging
from collections.abc import Callable, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any, NamedTuple

import httpx
from jwt import PyJWK
from jwt.exceptions import PyJWTError

from zoneledger.application.callers import TOKEN_ROOT
from zoneledger.core.errors import NotAuthenticated

log = logging.getLogger(__name__)

#: After how long the keys are read anew, for how long they hold where that fails, and how soon it is tried again.
READ_US, HOLD_US, AGAIN_US = 300_000_000, 3_600_000_000, 30_000_000
#: How soon they are read anew for a key that is not among them: anybody can name one.
UNKNOWN_US = 60_000_000
READ_S = 5.0
_NEVER_US = -(2**62)
MOST_BYTES, MOST_KEYS = 256 * 1024, 100

#: What makes the thumbprint of a key, by its type (RFC 7638 section 3.2 and RFC 8037 appendix A.3).
_THUMBPRINT = {"RSA": ("e", "kty", "n"), "EC": ("crv", "kty", "x", "y"), "OKP": ("crv", "kty", "x")}


class Signer(NamedTuple):
    """A key of the issuer for one algorithm; `root` is TOKEN_ROOT and its thumbprint."""

    kid: str | None
    algorithm: str
    key: PyJWK
    root: str


class Signers(NamedTuple):
    """The keys of an issuer as they were read at once."""

    each: tuple[Signer, ...]

    def find(self, kid: str | None, algorithm: str) -> Signer | None:
        """Return the first key of that name for an algorithm; without a name the only one for it."""
        fit = [one for one in self.each if one.algorithm == algorithm and kid in (None, one.kid)]
        return fit[0] if fit and (kid is not None or len(fit) == 1) else None


def read_signers(text: bytes, algorithms: Sequence[str]) -> Signers:
    """Return the keys of a JWK set that may sign; raise ValueError where it is none."""
    try:
        document = json.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    listed = document.get("keys") if isinstance(document, dict) else None
    if not isinstance(listed, list):
        raise ValueError("it is no JWK set: an object with a list of keys")
    public = [one for one in listed[:MOST_KEYS] if isinstance(one, dict) and _may_check(one)]
    return Signers(tuple(signer for one in public for signer in _signers(one, algorithms)))


def _may_check(jwk: dict[str, Any]) -> bool:
    """Tell whether a key is there to check signatures with, and public."""
    operations = jwk.get("key_ops", ["verify"])
    return jwk.get("use", "sig") == "sig" and isinstance(operations, list) and "verify" in operations and "d" not in jwk


def _signers(jwk: dict[str, Any], algorithms: Sequence[str]) -> list[Signer]:
    kid = jwk.get("kid")
    if not isinstance(kid, str | None) or jwk.get("kty") not in _THUMBPRINT:
        return []
    signers = []
    for algorithm in algorithms:
        if jwk.get("alg", algorithm) != algorithm:
            continue
        try:
            key = PyJWK(jwk, algorithm)
            is_weak = key.Algorithm.check_key_length(key.Algorithm.prepare_key(key.key))  # which looks at the curve
        except PyJWTError:  # a key of another kind, or none
            continue
        if is_weak:
            continue
        signers.append(Signer(kid, algorithm, key, TOKEN_ROOT + _thumbprint(jwk)))
    return signers


def _thumbprint(jwk: dict[str, Any]) -> str:
    members = {name: jwk[name] for name in _THUMBPRINT[jwk["kty"]]}
    return sha256(json.dumps(members, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


class KeySet:
    """The keys of an issuer, read from a file or an address; for one event loop."""

    def __init__(self, source: str, algorithms: Sequence[str], clock: Callable[[], int]) -> None:
        self._source = source
        self._algorithms = algorithms
        self._clock = clock
        self._signers: Signers | None = None
        self._read_us = self._tried_us = _NEVER_US
        self._one = asyncio.Lock()

    def read(self) -> Signers:
        """Return the keys as they are there now; raise OSError, ValueError or httpx's errors where there are none to be had."""
        text = _get(self._source) if "://" in self._source else Path(self._source).read_bytes()
        return read_signers(text, self._algorithms)

    async def present(self) -> Signers:
        """Return the keys, read anew after five minutes; raise NotAuthenticated where that fails for an hour."""
        if self._signers is None or not self._is_within(self._read_us, READ_US):
            await self._read_anew(AGAIN_US)
        if self._signers is None or not self._is_within(self._read_us, HOLD_US):
            raise NotAuthenticated("The token cannot be checked now: the keys of its issuer are not to be had.")
        return self._signers

    async def find(self, kid: str | None, algorithm: str) -> Signer | None:
        """Return a key, which is looked for anew at most once a minute where it is not known."""
        signer = (await self.present()).find(kid, algorithm)
        if signer is None:
            await self._read_anew(UNKNOWN_US)
            signer = (await self.present()).find(kid, algorithm)
        return signer

    def _is_within(self, since_us: int, length_us: int) -> bool:
        return 0 <= self._clock() - since_us < length_us

    async def _read_anew(self, pause_us: int) -> None:
        """Read the keys, unless that was tried just before; where it fails, those that are there stay."""
        async with self._one:
            if self._is_within(self._tried_us, pause_us):
                return
            self._tried_us = tried_us = self._clock()
            try:
                async with asyncio.timeout(READ_S):
                    signers = await asyncio.to_thread(self.read)
            except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
                log.warning("the keys of tokens cannot be read from %s: %s", self._source, str(error) or "too slow")
                return
            if not signers.each:
                log.warning("%s holds no key that may check tokens, so that none is taken", self._source)
            self._signers, self._read_us = signers, tried_us


def _get(url: str) -> bytes:
    """Return what an address answers; a redirect is none: where keys come from is said by the setting only."""
    accept = {"accept": "application/jwk-set+json, application/json"}
    with httpx.stream("GET", url, headers=accept, timeout=READ_S, follow_redirects=False) as answer:
        answer.raise_for_status()
        body = b""
        for part in answer.iter_bytes():
            body += part
            if len(body) > MOST_BYTES:
                raise ValueError(f"it has more than {MOST_BYTES} bytes")
        return body
