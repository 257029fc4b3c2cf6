"""An identity provider of the tests: it signs tokens, publishes its keys in a file or over HTTP, and withdraws them."""

import base64
import hmac
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from jwt.algorithms import ECAlgorithm, OKPAlgorithm, RSAAlgorithm

NAME, AUDIENCE = "https://identity.example", "zoneledger"
NOW_S = 1_795_600_000
HOUR_S = 3600


def encoded(part: bytes | dict[str, Any]) -> str:
    """Return a part of a token."""
    text = part if isinstance(part, bytes) else json.dumps(part).encode()
    return base64.urlsafe_b64encode(text).rstrip(b"=").decode()


class Issuer:
    """Signs with RSA unless told; `published` is its JWK set."""

    def __init__(self) -> None:
        self.rsa = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        self.ec = ec.generate_private_key(ec.SECP256R1())
        self.ed = ed25519.Ed25519PrivateKey.generate()
        self._signing: dict[str, Any] = {"rsa-1": self.rsa, "ec-1": self.ec, "ed-1": self.ed}
        self.published = {"keys": [self.jwk(kid) for kid in self._signing]}

    def jwk(self, kid: str) -> dict[str, Any]:
        """Return the public part of a key as a JWK."""
        public = self._signing[kid].public_key()
        kinds: dict[str, Any] = {"rsa": RSAAlgorithm, "ec": ECAlgorithm, "ed": OKPAlgorithm}
        found: dict[str, Any] = kinds[kid.partition("-")[0]].to_jwk(public, as_dict=True)
        return {name: value for name, value in found.items() if name != "key_ops"} | {"kid": kid, "use": "sig"}

    def public_pem(self) -> bytes:
        """Return the public RSA key as a text that everybody has."""
        return self.rsa.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)

    def rotate(self) -> None:
        """Sign with another RSA key from now on, which is not published yet."""
        self._signing["rsa-2"] = rsa.generate_private_key(public_exponent=65537, key_size=2048)

    def withdraw(self, kid: str) -> None:
        """Publish a key no more."""
        self.published = {"keys": [key for key in self.published["keys"] if key["kid"] != kid]}

    def publish(self, kid: str) -> None:
        """Publish a key, too."""
        self.published = {"keys": [*self.published["keys"], self.jwk(kid)]}

    def claims(self, **others: Any) -> dict[str, Any]:
        """Return claims that are good now, with others in their place; None leaves one out."""
        good = {"iss": NAME, "aud": AUDIENCE, "sub": "planner", "iat": NOW_S, "exp": NOW_S + HOUR_S, "scope": "read"}
        return {name: value for name, value in (good | others).items() if value is not None}

    def token(
        self, kid: str | None = "rsa-1", *, by: str = "rsa-1", header: dict[str, Any] | None = None, **claims: Any
    ) -> str:
        """Return a token signed with the key `by`, whose header names the key `kid` and holds what else is told."""
        algorithms = {"rsa": "RS256", "ec": "ES256", "ed": "EdDSA"}
        named = {} if kid is None else {"kid": kid}
        algorithm = algorithms[by.partition("-")[0]]
        return jwt.encode(self.claims(**claims), self._signing[by], algorithm, headers=named | (header or {}))

    def signed(self, header: dict[str, Any], payload: bytes) -> str:
        """Return a token of any header and payload, signed with the RSA key as RS256 has it."""
        signing = f"{encoded(header)}.{encoded(payload)}"
        return f"{signing}.{encoded(RSAAlgorithm(RSAAlgorithm.SHA256).sign(signing.encode(), self.rsa))}"

    def by_secret(self, secret: bytes, header: dict[str, Any]) -> str:
        """Return a token signed with a secret, as HS256 has it."""
        signing = f"{encoded(header)}.{encoded(self.claims())}"
        return f"{signing}.{encoded(hmac.new(secret, signing.encode(), sha256).digest())}"


@contextmanager
def over_http(issuer: Issuer) -> Iterator["Published"]:
    """Serve an issuer's keys over HTTP."""
    published = Published(issuer)
    thread = threading.Thread(target=published.server.serve_forever)
    thread.start()
    try:
        yield published
    finally:
        published.server.shutdown()
        thread.join(10)
        published.server.server_close()


class Published:
    """Where an issuer's keys are; `asked` are the paths that were asked for, `answer` what is said instead of the keys."""

    def __init__(self, issuer: Issuer) -> None:
        self.asked: list[str] = []
        self.answer: tuple[int, dict[str, str], bytes] | None = None
        published = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                published.asked.append(self.path)
                status, headers, body = published.answer or (200, {}, json.dumps(issuer.published).encode())
                self.send_response(status)
                for name, value in {"content-length": str(len(body)), **headers}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)

    @property
    def url(self) -> str:
        """The address of the keys."""
        return f"http://127.0.0.1:{self.server.server_port}/keys"
