"""Checks tokens (JWT, RFC 7519, as bearer by RFC 6750 and 9068): signature, issuer, audience, times; reads scopes and units."""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import jwt
from jwt.exceptions import (
    InvalidAudienceError,
    InvalidIssuerError,
    InvalidSignatureError,
    MissingRequiredClaimError,
    PyJWTError,
)
from jwt.types import Options

from zoneledger.application.callers import Known
from zoneledger.application.remembered import Remembered
from zoneledger.core.callers import Caller, is_unit_path, scopes_of
from zoneledger.core.errors import NotAuthenticated
from zoneledger.identity.key_set import KeySet, Signer, read_signers

#: A longer token is not looked at, and none that is padded, which RFC 7515 section 2 rules out.
MOST_CHARACTERS = 8192
_SHAPE = re.compile(r"[\w-]+\.[\w-]+\.[\w-]+", re.ASCII)
#: How far the issuer's clock may be from ours.
LEEWAY_S = 60
#: For how long, and of how many tokens, it is remembered that they are right.
REMEMBER_US, MOST_REMEMBERED = 60_000_000, 1000
LONGEST_SUBJECT, MOST_UNITS = 200, 100

UNITS_CLAIM = "zoneledger_units"
#: What a token may be typed as (RFC 9068 section 2.1): not what else an issuer signs, such as a logout token.
_TYPES = ("jwt", "at+jwt", "application/at+jwt")
#: Parts of a header by which a token would choose its own key, or change how it is read (RFC 7515 section 4.1, RFC 7797).
_FORBIDDEN = ("jku", "jwk", "x5u", "x5c", "crit", "b64", "zip")

#: Times are checked here, by the service's own clock.
_OPTIONS: Options = {
    "verify_exp": False,
    "verify_nbf": False,
    "verify_iat": False,
    "require": ["exp", "iss", "aud", "sub"],
    "enforce_minimum_key_length": True,
}

_WORDS: list[tuple[type[PyJWTError], str]] = [
    (InvalidSignatureError, "its signature is not right"),
    (InvalidIssuerError, "it is from another issuer"),
    (InvalidAudienceError, "it is meant for another audience"),
    (MissingRequiredClaimError, "it lacks one of the claims exp, iss, aud and sub"),
]


@dataclass(frozen=True)
class TokenRules:
    """Whose tokens are taken: the issuer and audience, where its keys are (a file or an address), and what may sign."""

    issuer: str
    audience: str
    keys: str
    algorithms: Sequence[str]

    def check_file(self) -> None:
        """Raise OSError or ValueError, with what is wrong, where a file holds no key that may check tokens."""
        if not read_signers(Path(self.keys).read_bytes(), self.algorithms).each:
            raise ValueError(f"none in it is for {' or '.join(self.algorithms)}, public and long enough")


class JwtTokens:
    """The Tokens port on an issuer's signed tokens."""

    def __init__(self, rules: TokenRules, clock: Callable[[], int]) -> None:
        self._rules = rules
        self._clock = clock
        self.keys = KeySet(rules.keys, rules.algorithms, clock)
        self._known: Remembered[bytes, tuple[Known, Signer]] = Remembered(MOST_REMEMBERED)

    async def check(self, token: str) -> Known:
        """Return who sent a token; raise NotAuthenticated where it is not right, not yet good or good no more."""
        if len(token) > MOST_CHARACTERS or not _SHAPE.fullmatch(token):
            raise _refusal("it is too long, or not of three parts in base64url")
        digest, now_us = sha256(token.encode()).digest(), self._clock()
        present = await self.keys.present()
        kept = self._known.get(digest, now_us)
        if kept is not None and kept[1] in present.each:
            return kept[0]
        signer = await self._signer(token)
        known = self._read(token, signer, now_us)
        self._known.keep(digest, (known, signer), now_us, min(known.ends_us, now_us + REMEMBER_US))
        return known

    async def vouches(self, root: str) -> bool:
        """Return whether what signed a token is still a key of the issuer; False where its keys are not to be had."""
        try:
            return any(signer.root == root for signer in (await self.keys.present()).each)
        except NotAuthenticated:
            return False

    async def _signer(self, token: str) -> Signer:
        """Return the key that a token has to be signed with, by what its header tells and nothing else that it says."""
        try:
            header = jwt.get_unverified_header(token)
        except PyJWTError:
            raise _refusal("it cannot be read") from None
        forbidden = [name for name in _FORBIDDEN if name in header]
        if forbidden:
            raise _refusal(f"its header has {forbidden[0]}, and no token chooses how it is checked")
        if str(header.get("typ") or "jwt").lower() not in _TYPES:
            raise _refusal("it is of another type than an access token")
        algorithm, kid = header.get("alg"), header.get("kid")
        if not isinstance(algorithm, str) or algorithm not in self._rules.algorithms:
            raise _refusal(f"it is not signed by {' or '.join(self._rules.algorithms)}")
        signer = await self.keys.find(kid, algorithm)
        if signer is None:
            raise _refusal("it names no key of its issuer")
        return signer

    def _read(self, token: str, signer: Signer, now_us: int) -> Known:
        try:
            claims = jwt.decode(
                token,
                signer.key,
                algorithms=[signer.algorithm],
                audience=self._rules.audience,
                issuer=self._rules.issuer,
                options=_OPTIONS,
            )
        except PyJWTError as error:
            words = next((words for kind, words in _WORDS if isinstance(error, kind)), "it cannot be read")
            raise _refusal(words) from None
        ends_us = _checked_times(claims, now_us / 1e6)
        caller = Caller(_subject(claims), scopes_of(_scopes(claims)), _units(claims), "token")
        return Known(caller, ends_us, signer.root)


def _refusal(why: str) -> NotAuthenticated:
    return NotAuthenticated(f"The token is not taken: {why}.")


def _checked_times(claims: dict[str, Any], now_s: float) -> int:
    """Return until when a token is good, in microseconds."""
    ends_s = _instant(claims, "exp") + LEEWAY_S
    if now_s >= ends_s:
        raise _refusal("it has expired")
    for name, words in (("nbf", "is not good yet"), ("iat", "was issued in the future")):
        if name in claims and _instant(claims, name) > now_s + LEEWAY_S:
            raise _refusal(f"it {words}")
    return int(ends_s * 1_000_000)


def _instant(claims: dict[str, Any], name: str) -> float:
    """Return a NumericDate (RFC 7519 section 2)."""
    value = claims[name]
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or abs(value) > 2**53:
        raise _refusal(f"its {name} is no number of seconds")
    return value


def _subject(claims: dict[str, Any]) -> str:
    subject = claims["sub"]
    if not isinstance(subject, str) or not 0 < len(subject) <= LONGEST_SUBJECT or not subject.isprintable():
        raise _refusal(f"its sub is no text of 1 to {LONGEST_SUBJECT} characters that can be printed")
    return subject


def _scopes(claims: dict[str, Any]) -> list[str]:
    """Return the words of the claim `scope` (RFC 8693 section 4.2); who has none may do nothing."""
    scope = claims.get("scope", "")
    if not isinstance(scope, str):
        raise _refusal("its scope is no text")
    return scope.split(" ")


def _units(claims: dict[str, Any]) -> tuple[str, ...] | None:
    """Return the units that a token is for; without the claim all of them."""
    if UNITS_CLAIM not in claims:
        return None
    units = claims[UNITS_CLAIM]
    if not isinstance(units, list) or len(units) > MOST_UNITS or not all(isinstance(one, str) for one in units):
        raise _refusal(f"its {UNITS_CLAIM} is no list of at most {MOST_UNITS} paths")
    if not all(map(is_unit_path, units)):
        raise _refusal(f"its {UNITS_CLAIM} holds what is no path of a site, line or cell")
    return tuple(units)
