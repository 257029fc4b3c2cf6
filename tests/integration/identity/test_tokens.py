"""Tokens of an issuer: those that are right are let in, and of the corpus of those that are not none is."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.integration.identity.conftest import Clock
from tests.integration.identity.issuer import HOUR_S, NAME, NOW_S, Issuer, encoded
from zoneledger.application.callers import Callers
from zoneledger.core.callers import Caller, Scope
from zoneledger.core.errors import NotAuthenticated

AWAY = "https://elsewhere.example/keys"


def _flipped(token: str) -> str:
    """Return a token with another signature, by its first letter."""
    head, _, signature = token.rpartition(".")
    return f"{head}.{'B' if signature[0] != 'B' else 'C'}{signature[1:]}"


def _signed(issuer: Issuer, header: dict[str, Any] | None = None, **claims: Any) -> str:
    """Return a token with claims and a header that no library would write, signed all the same."""
    return issuer.signed(
        {"alg": "RS256", "kid": "rsa-1"} | (header or {}), json.dumps(issuer.claims(**claims)).encode()
    )


def _other_payload(issuer: Issuer) -> str:
    """Return a token whose payload was changed after it was signed."""
    head, _, signature = issuer.token().split(".")
    return f"{head}.{encoded(issuer.claims(scope='admin'))}.{signature}"


def _foreign(issuer: Issuer, **header: Any) -> str:
    """Return a token that somebody else signed, whose header says where the key is."""
    other = Issuer()
    return other.token(header={"jwk": other.jwk("rsa-1")} if header.get("jwk") else header)


#: What must never be let in, by what is wrong with it.
CORPUS: dict[str, Callable[[Issuer], str]] = {
    "expired": lambda one: one.token(exp=NOW_S - 61),
    "expired long ago, and negative": lambda one: one.token(exp=-1),
    "without an end": lambda one: one.token(exp=None),
    "with an end that is a text": lambda one: one.token(exp=str(NOW_S + HOUR_S)),
    "with an end that is true": lambda one: one.token(exp=True),
    "with an end that is infinite": lambda one: _signed(one, exp=float("inf")),
    "with an end that is no number": lambda one: _signed(one, exp=float("nan")),
    "not good yet": lambda one: one.token(nbf=NOW_S + 61),
    "issued in the future": lambda one: one.token(iat=NOW_S + 61),
    "of another issuer": lambda one: one.token(iss="https://elsewhere.example"),
    "of an issuer with a slash more": lambda one: one.token(iss=f"{NAME}/"),
    "of no issuer": lambda one: one.token(iss=None),
    "of a list of issuers": lambda one: _signed(one, iss=[NAME]),
    "for another audience": lambda one: one.token(aud="payroll"),
    "for others": lambda one: one.token(aud=["payroll", "zoneledger-test"]),
    "for nobody": lambda one: one.token(aud=None),
    "for an empty audience": lambda one: one.token(aud=[]),
    "of no subject": lambda one: one.token(sub=None),
    "of an empty subject": lambda one: one.token(sub=""),
    "of a subject that breaks a line": lambda one: one.token(sub="planner\nadmin"),
    "of a subject that is very long": lambda one: one.token(sub="x" * 201),
    "with scopes in a list": lambda one: one.token(scope=["admin"]),
    "with units in a text": lambda one: one.token(zoneledger_units="harbour"),
    "with units that are none": lambda one: one.token(zoneledger_units=["harbour", "../"]),
    "with a zone, which is no unit to have": lambda one: one.token(zoneledger_units=["harbour/wing-1/cell-1/1"]),
    "with units that are numbers": lambda one: one.token(zoneledger_units=[1]),
    "not signed": lambda one: f"{encoded({'alg': 'none', 'typ': 'JWT'})}.{encoded(one.claims())}.",
    "not signed, in other letters": lambda one: f"{encoded({'alg': 'nOnE', 'kid': 'rsa-1'})}.{encoded(one.claims())}.",
    "not signed, though it names an algorithm": lambda one: one.token().rpartition(".")[0] + ".",
    "signed with the public key as a secret": lambda one: one.by_secret(
        one.public_pem(), {"alg": "HS256", "typ": "JWT", "kid": "rsa-1"}
    ),
    "signed with the modulus as a secret": lambda one: one.by_secret(
        one.jwk("rsa-1")["n"].encode(), {"alg": "HS256", "kid": "rsa-1"}
    ),
    "signed with an empty secret": lambda one: one.by_secret(b"", {"alg": "HS256", "kid": "rsa-1"}),
    "signed with a secret, and called RS256": lambda one: one.by_secret(
        one.public_pem(), {"alg": "RS256", "kid": "rsa-1"}
    ),
    "by RSA, and called ES256": lambda one: _signed(one, {"alg": "ES256", "kid": "ec-1"}),
    "by RSA with SHA-512": lambda one: _signed(one, {"alg": "RS512"}),
    "of no algorithm": lambda one: one.signed({"kid": "rsa-1"}, json.dumps(one.claims()).encode()),
    "of a list of algorithms": lambda one: _signed(one, {"alg": ["RS256"]}),
    "of an algorithm that is null": lambda one: _signed(one, {"alg": None}),
    "with a key that is not known": lambda one: one.token("rsa-7"),
    "with a key of another kind": lambda one: one.token("ec-1"),
    "with another key of the issuer": lambda one: one.token("rsa-1", by="ed-1"),
    "with no key named, of a foreign one": lambda one: Issuer().token(None),
    "with a key's name in other letters": lambda one: one.token("RSA-1"),
    "with an empty name of a key": lambda one: one.token(""),
    "with a path for a key": lambda one: one.token("../../../../dev/null"),
    "with a file for a key": lambda one: one.token("file:///dev/null"),
    "with an address for a key": lambda one: one.token(AWAY),
    "with a statement for a key": lambda one: one.token("rsa-1' OR '1'='1"),
    "with NUL in a key's name": lambda one: one.token("rsa-1\x00"),
    "with a number for a key": lambda one: _signed(one, {"kid": 1}),
    "by a foreign key of the same name": lambda one: Issuer().token(),
    "by a foreign key that it brings along": lambda one: _foreign(one, jwk=True),
    "by a foreign key at an address": lambda one: _foreign(one, jku=AWAY),
    "by a foreign key with a certificate at an address": lambda one: _foreign(one, x5u=AWAY),
    "right, but it says where its key is": lambda one: one.token(header={"jku": AWAY}),
    "right, but it says where its certificate is": lambda one: one.token(header={"x5u": AWAY}),
    "right, but it brings its certificate": lambda one: one.token(header={"x5c": ["MIIB"]}),
    "right, but it brings its key": lambda one: one.token(header={"jwk": one.jwk("rsa-1")}),
    "right, but with what is critical": lambda one: one.token(header={"crit": ["exp"], "exp": NOW_S}),
    "right, but with nothing critical": lambda one: _signed(one, {"crit": []}),
    "right, but its payload is not encoded": lambda one: _signed(one, {"b64": False, "crit": ["b64"]}),
    "right, but compressed": lambda one: one.token(header={"zip": "DEF"}),
    "right, but a logout token": lambda one: one.token(header={"typ": "logout+jwt"}),
    "right, but of a type that is a number": lambda one: one.token(header={"typ": 7}),
    "right, but for a letter of its signature": lambda one: _flipped(one.token()),
    "right, but its payload is another": _other_payload,
    "right, but its signature is cut": lambda one: one.token()[:-8],
    "right, but its signature goes on": lambda one: one.token() + "AAAA",
    "right, but one part is gone": lambda one: one.token().rpartition(".")[0],
    "right, but with one part more": lambda one: one.token() + ".AAAA",
    "right, but padded": lambda one: one.token() + "==",
    "right, but with a space": lambda one: " " + one.token(),
    "right, but it ends with a line": lambda one: one.token() + "\n",
    "right, but very long": lambda one: one.token(note="x" * 9000),
    "right, but with a letter that is not ASCII": lambda one: one.token() + "\u00e9",
    "of a payload that is no object": lambda one: one.signed({"alg": "RS256", "kid": "rsa-1"}, b"[1]"),
    "of a payload that is no JSON": lambda one: one.signed({"alg": "RS256", "kid": "rsa-1"}, b"\xff"),
    "of a payload nested deeply": lambda one: one.signed({"alg": "RS256", "kid": "rsa-1"}, b"[" * 3000),
    "of a header that is no object": lambda one: f"{encoded(b'[]')}.{encoded(one.claims())}.AAAA",
    "of a header nested deeply": lambda one: f"{encoded(b'[' * 5000)}.{encoded(one.claims())}.AAAA",
    "empty": lambda one: "",
    "of dots": lambda one: "..",
    "of many dots": lambda one: "." * 8000,
}


@pytest.mark.parametrize("wrong", CORPUS)
async def test_what_is_wrong_is_not_let_in(wrong: str, issuer: Issuer, callers: Callers) -> None:
    token = CORPUS[wrong](issuer)
    for _ in range(2):
        with pytest.raises(NotAuthenticated) as refusal:
            await callers.caller(token, "192.0.2.7")
        assert token == "" or token not in str(refusal.value)
    assert await callers.caller(issuer.token(), "192.0.2.7")


@pytest.mark.parametrize("by", ["rsa-1", "ec-1", "ed-1"])
async def test_a_token_by_each_kind_of_key_is_let_in(by: str, issuer: Issuer, callers: Callers) -> None:
    token = issuer.token(by, by=by)
    expected = Caller("planner", frozenset({Scope.READ}), None, "token")
    assert [await callers.caller(token, "192.0.2.7") for _ in range(2)] == [expected] * 2


#: What is let in: claims and header, the scopes and the units.
GOOD: list[tuple[dict[str, Any], dict[str, Any], set[str], tuple[str, ...] | None]] = [
    ({"scope": "zoneledger:read zoneledger:ingest"}, {}, {"read", "ingest"}, None),
    ({"scope": "openid profile admin"}, {"typ": "at+jwt"}, {"admin"}, None),
    ({"scope": None}, {"typ": "application/AT+JWT"}, set(), None),
    ({"scope": "other:read readx  "}, {}, set(), None),
    (
        {"zoneledger_units": ["harbour/wing-1", "harbour/wing-2/cell-1"]},
        {},
        {"read"},
        ("harbour/wing-1", "harbour/wing-2/cell-1"),
    ),
    ({"zoneledger_units": []}, {}, {"read"}, ()),
    ({"aud": ["payroll", "zoneledger"]}, {}, {"read"}, None),
    ({"exp": NOW_S - 59, "nbf": NOW_S + 59, "iat": NOW_S + 59}, {}, {"read"}, None),
    ({"exp": NOW_S + 0.5, "iat": NOW_S - 0.5}, {"x5t": "abc"}, {"read"}, None),
]


@pytest.mark.parametrize(("claims", "header", "scopes", "units"), GOOD)
async def test_what_is_right_is_let_in_for_what_it_says(
    claims: dict[str, Any],
    header: dict[str, Any],
    scopes: set[str],
    units: tuple[str, ...] | None,
    issuer: Issuer,
    callers: Callers,
) -> None:
    found = await callers.caller(issuer.token(header=header, **claims), "192.0.2.7")
    assert found == Caller("planner", frozenset(map(Scope, scopes)), units, "token")


async def test_a_token_that_is_remembered_ends_when_it_ends(issuer: Issuer, callers: Callers, clock: Clock) -> None:
    token = issuer.token(exp=NOW_S - 40)
    assert await callers.caller(token, "192.0.2.7")
    clock.now_s += 19
    assert await callers.caller(token, "192.0.2.7")
    clock.now_s += 1
    with pytest.raises(NotAuthenticated, match="has expired"):
        await callers.caller(token, "192.0.2.7")


async def test_a_token_that_names_no_key_is_let_in_where_only_one_may_be_meant(
    issuer: Issuer, callers: Callers
) -> None:
    assert await callers.caller(issuer.token(None), "192.0.2.7")


async def test_without_an_issuer_no_token_is_let_in(issuer: Issuer, store: Any, clock: Clock) -> None:
    for required in (True, False):
        with pytest.raises(NotAuthenticated):
            await Callers(store, clock, required=required).caller(issuer.token(), "192.0.2.7")


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
async def test_a_token_that_was_changed_anywhere_is_not_let_in(
    data: st.DataObject, issuer: Issuer, callers: Callers
) -> None:
    token = issuer.token()
    place = data.draw(st.integers(0, len(token) - 1))
    put = data.draw(st.text(st.characters(codec="utf-8"), max_size=3))
    cut = data.draw(st.integers(0, 2))
    changed = token[:place] + put + token[place + cut :]
    if changed != token:
        with pytest.raises(NotAuthenticated):
            await callers.caller(changed, "192.0.2.7")


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    header=st.dictionaries(
        st.sampled_from(["alg", "kid", "typ", "jku", "crit", "x"]),
        st.recursive(
            st.none()
            | st.booleans()
            | st.floats()
            | st.text(max_size=5)
            | st.sampled_from(["RS256", "rsa-1", "JWT", "none"]),
            lambda inner: st.lists(inner, max_size=2),
            max_leaves=3,
        ),
    ),
    payload=st.binary(max_size=40),
)
async def test_any_header_and_payload_that_nobody_signed_is_not_let_in(
    header: dict[str, Any], payload: bytes, callers: Callers
) -> None:
    with pytest.raises(NotAuthenticated):
        await callers.caller(f"{encoded(header)}.{encoded(payload)}.{encoded(payload)}", "192.0.2.7")
