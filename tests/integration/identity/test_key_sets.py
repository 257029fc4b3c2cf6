"""An issuer's keys: rotated, withdrawn, away for a while, or not what they should be; never looked for where a token says."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric import rsa
from jwt.algorithms import RSAAlgorithm

from tests.integration.identity.conftest import ALGORITHMS, Clock
from tests.integration.identity.issuer import HOUR_S, NOW_S, Issuer, Published, over_http
from zoneledger.application.callers import Callers
from zoneledger.core.errors import NotAuthenticated
from zoneledger.identity.key_set import HOLD_US, READ_US, UNKNOWN_US, read_signers

ADDRESS = "192.0.2.7"
Make = Callable[[str], Callers]


@pytest.fixture
def published(issuer: Issuer) -> Iterator[Published]:
    """Where the issuer's keys are, over HTTP."""
    with over_http(issuer) as published:
        yield published


@pytest.fixture
def asking(make_callers: Make, published: Published) -> Callers:
    """What tells who calls, by keys that it reads over HTTP."""
    return make_callers(published.url)


async def _is_refused(callers: Callers, token: str) -> bool:
    try:
        await callers.caller(token, ADDRESS)
    except NotAuthenticated:
        return True
    return False


async def test_keys_are_read_once_for_many_tokens(issuer: Issuer, asking: Callers, published: Published) -> None:
    for number in range(20):
        assert not await _is_refused(asking, issuer.token(sub=str(number)))
    assert published.asked == ["/keys"]


async def test_a_key_that_was_withdrawn_lets_nobody_in_after_five_minutes(
    issuer: Issuer, asking: Callers, clock: Clock
) -> None:
    token, other = issuer.token(exp=NOW_S + HOUR_S), issuer.token("ec-1", by="ec-1")
    assert not await _is_refused(asking, token)
    issuer.withdraw("rsa-1")
    clock.now_s += READ_US / 1e6
    assert [await _is_refused(asking, one) for one in (token, token, other)] == [True, True, False]
    clock.now_s += 60
    assert await _is_refused(asking, token)


async def test_where_all_keys_are_withdrawn_nobody_is_let_in(issuer: Issuer, asking: Callers, clock: Clock) -> None:
    assert not await _is_refused(asking, issuer.token())
    issuer.published = {"keys": []}
    clock.now_s += READ_US / 1e6
    assert await _is_refused(asking, issuer.token())


async def test_a_new_key_is_looked_for_at_most_once_a_minute(
    issuer: Issuer, asking: Callers, published: Published, clock: Clock
) -> None:
    issuer.rotate()
    assert not await _is_refused(asking, issuer.token())
    clock.now_s += UNKNOWN_US / 1e6
    assert await _is_refused(asking, issuer.token("rsa-2", by="rsa-2"))
    issuer.publish("rsa-2")
    for number in range(50):
        assert await _is_refused(asking, issuer.token("rsa-2", by="rsa-2", sub=str(number)))
    assert len(published.asked) == 2
    clock.now_s += UNKNOWN_US / 1e6
    assert not await _is_refused(asking, issuer.token("rsa-2", by="rsa-2"))
    assert len(published.asked) == 3


async def test_names_of_keys_that_are_addresses_are_asked_of_nobody(
    issuer: Issuer, asking: Callers, published: Published
) -> None:
    base = published.url.removesuffix("/keys")
    assert not await _is_refused(asking, issuer.token())
    for kid in (f"{base}/kid", "../other", "/etc/passwd"):
        assert await _is_refused(asking, issuer.token(kid))
    for name in ("jku", "x5u"):
        assert await _is_refused(asking, issuer.token(header={name: f"{base}/{name}"}))
    assert set(published.asked) == {"/keys"}


@pytest.mark.parametrize(
    "answer",
    [
        (500, {}, b"away"),
        (302, {"location": "/other"}, b""),
        (200, {}, b"<html>"),
        (200, {}, b"[" * 100_000),
        (200, {}, b'{"keys": 1}'),
        (200, {}, b"[]"),
        (200, {}, b" " * 300_000),
    ],
    ids=["failure", "redirect", "no JSON", "deep", "no list", "no object", "large"],
)
async def test_keys_hold_for_an_hour_where_they_cannot_be_read_anew(
    answer: Any, issuer: Issuer, asking: Callers, published: Published, clock: Clock
) -> None:
    token = issuer.token(exp=NOW_S + 3 * HOUR_S)
    assert not await _is_refused(asking, token)
    published.answer = answer
    clock.now_s += READ_US / 1e6
    for number in range(10):
        assert not await _is_refused(asking, issuer.token(sub=str(number)))
    assert published.asked == ["/keys"] * 2
    clock.now_s = NOW_S + HOLD_US / 1e6
    assert [await _is_refused(asking, one) for one in (token, token)] == [True, True]
    assert published.asked == ["/keys"] * 3
    published.answer = None
    clock.now_s += 30
    assert not await _is_refused(asking, token)


async def test_while_no_keys_were_ever_read_nobody_is_let_in_and_they_are_asked_for_twice_a_minute(
    issuer: Issuer, asking: Callers, published: Published, clock: Clock
) -> None:
    published.answer = (503, {}, b"")
    for _ in range(20):
        with pytest.raises(NotAuthenticated, match="keys of its issuer are not to be had"):
            await asking.caller(issuer.token(), ADDRESS)
    assert published.asked == ["/keys"]
    published.answer = None
    clock.now_s += 30
    assert not await _is_refused(asking, issuer.token())


async def test_a_clock_that_was_set_back_lets_keys_be_read_anew(issuer: Issuer, asking: Callers, clock: Clock) -> None:
    clock.now_s += HOUR_S
    assert not await _is_refused(asking, issuer.token(exp=NOW_S + 2 * HOUR_S))
    issuer.withdraw("rsa-1")
    clock.now_s -= 1800
    assert await _is_refused(asking, issuer.token(exp=NOW_S + 2 * HOUR_S))


async def test_a_file_of_keys_is_read_anew_as_well(
    issuer: Issuer, callers: Callers, keys_file: Path, clock: Clock
) -> None:
    assert not await _is_refused(callers, issuer.token())
    issuer.withdraw("rsa-1")
    keys_file.write_text(json.dumps(issuer.published))  # noqa: ASYNC240
    clock.now_s += READ_US / 1e6
    assert await _is_refused(callers, issuer.token())


async def test_of_two_keys_without_a_name_none_is_guessed(issuer: Issuer, make_callers: Make, tmp_path: Path) -> None:
    issuer.rotate()
    issuer.publish("rsa-2")
    path = tmp_path / "two.json"
    path.write_text(json.dumps(issuer.published))
    callers = make_callers(str(path))
    assert await _is_refused(callers, issuer.token(None))
    assert not await _is_refused(callers, issuer.token("rsa-2", by="rsa-2"))


def _weak() -> dict[str, Any]:
    key = rsa.generate_private_key(public_exponent=65537, key_size=1024)
    found: dict[str, Any] = RSAAlgorithm.to_jwk(key.public_key(), as_dict=True)
    return found | {"kid": "rsa-1"}


def _private(issuer: Issuer) -> dict[str, Any]:
    found: dict[str, Any] = RSAAlgorithm.to_jwk(issuer.rsa, as_dict=True)
    return found | {"kid": "rsa-1", "key_ops": ["verify", "sign"]}


UNFIT: dict[str, Callable[[Issuer], Any]] = {
    "a secret": lambda one: {"kty": "oct", "k": "AAAA", "kid": "rsa-1", "alg": "HS256"},
    "a secret that is called RS256": lambda one: {"kty": "oct", "k": "AAAA", "kid": "rsa-1", "alg": "RS256"},
    "for encryption": lambda one: one.jwk("rsa-1") | {"use": "enc"},
    "for another algorithm": lambda one: one.jwk("rsa-1") | {"alg": "RS512"},
    "to sign with": lambda one: one.jwk("rsa-1") | {"key_ops": ["sign"]},
    "operations that are none": lambda one: one.jwk("rsa-1") | {"key_ops": "verify"},
    "private": _private,
    "too short": lambda one: _weak(),
    "without a modulus": lambda one: {"kty": "RSA", "e": "AQAB", "kid": "rsa-1"},
    "with a modulus that is a number": lambda one: one.jwk("rsa-1") | {"n": 7},
    "with a modulus that is no base64": lambda one: one.jwk("rsa-1") | {"n": "\u00e9"},
    "of a point that is on no curve": lambda one: one.jwk("ec-1") | {"x": "A" * 43},
    "of another curve": lambda one: one.jwk("ec-1") | {"crv": "P-384"},
    "of no kind": lambda one: {"kid": "rsa-1"},
    "with a name that is a number": lambda one: one.jwk("rsa-1") | {"kid": 7},
    "a text": lambda one: "key",
    "nothing": lambda one: None,
}


@pytest.mark.parametrize("which", UNFIT)
def test_a_key_that_may_not_check_tokens_is_left_out(which: str, issuer: Issuer) -> None:
    keys = json.dumps({"keys": [UNFIT[which](issuer), issuer.jwk("ed-1")]})
    assert [one.kid for one in read_signers(keys.encode(), ALGORITHMS).each] == ["ed-1"]


def test_keys_are_for_the_algorithms_that_are_set(issuer: Issuer) -> None:
    keys = json.dumps(issuer.published).encode()
    for algorithm, kid in (("RS256", "rsa-1"), ("ES256", "ec-1"), ("EdDSA", "ed-1")):
        assert [(one.algorithm, one.kid) for one in read_signers(keys, [algorithm]).each] == [(algorithm, kid)]
