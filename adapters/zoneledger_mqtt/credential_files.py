"""The files that are shown to a broker, and say who is believed there: read as a whole, and checked, with a word on what is wrong."""

import ssl
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import Encoding, load_pem_private_key

from zoneledger.secret_text import secret_of
from zoneledger_mqtt.tls import TellingSocket

#: What stands for a cell's path in the name of a file.
CELL = "{cell}"
#: How often files that change while they are read are begun anew.
_READINGS = 3

_Raw = dict[str, bytes]


class CredentialsUnfit(ValueError):
    """The files cannot be used; the text is one sentence, which names one of them."""


@dataclass(frozen=True, slots=True)
class Files:
    """Where it all is: authorities that are believed, our certificate with its key, a password; None: there is none.

    Without authorities those of the system are believed. Raises ValueError for a certificate without a key, or a key without one.
    """

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    password: Path | None = None

    def __post_init__(self) -> None:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("a client certificate goes with its key: give both files, or neither")

    def named(self) -> dict[str, Path]:
        """Return those that there are, by what they hold."""
        places = {"ca": self.ca, "certificate": self.certificate, "key": self.key, "password": self.password}
        return {name: path for name, path in places.items() if path is not None}

    def of_cell(self, cell: str) -> "Files":
        """Return the files of one cell: its path stands where the names have `{cell}`."""
        return replace(self, **{name: Path(str(path).replace(CELL, cell)) for name, path in self.named().items()})


@dataclass(frozen=True, slots=True)
class Shown:
    """What the files held when they were read: all of it can be used. `digest` tells one such moment from another."""

    digest: bytes
    context: ssl.SSLContext | None
    password: str | None = field(repr=False)
    certificate_ends_us: int | None
    ca_ends_us: int | None


def read_files(files: Files, now_us: int, *, tls: bool) -> Shown:
    """Return what the files hold, read so that none of them has changed meanwhile; raise CredentialsUnfit where it cannot be used."""
    for _ in range(_READINGS):
        raw = _raw(files)
        shown = _shown(files, raw, now_us, tls=tls)
        if _raw(files) == raw:
            return shown
    raise CredentialsUnfit(f"{', '.join(map(str, files.named().values()))} are being written")


def digest_of(files: Files) -> bytes:
    """Return what tells whether files still hold the same; raise CredentialsUnfit where one cannot be read."""
    return _digest(_raw(files))


def _raw(files: Files) -> _Raw:
    return {name: _bytes(path) for name, path in files.named().items()}


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise CredentialsUnfit(f"there is no file {path}") from None
    except OSError as error:
        raise CredentialsUnfit(f"{path} cannot be read: {error.strerror or error}") from None


def _digest(raw: _Raw) -> bytes:
    return sha256(b"".join(sha256(raw[name]).digest() for name in sorted(raw))).digest()


def _shown(files: Files, raw: _Raw, now_us: int, *, tls: bool) -> Shown:
    now = datetime.fromtimestamp(now_us / 1e6, UTC)
    ours = None if files.certificate is None else _own(files, raw, now)
    authorities = None if files.ca is None else _authorities(files.ca, raw["ca"], now)
    return Shown(
        digest=_digest(raw),
        context=_context(files, authorities) if tls else None,
        password=None if files.password is None else _password(files.password, raw["password"]),
        certificate_ends_us=_ends_us(ours),
        ca_ends_us=_ends_us(authorities),
    )


def _own(files: Files, raw: _Raw, now: datetime) -> list[x509.Certificate]:
    """Return our certificate and those of authorities that come with it: all valid now, and the key is that of the first."""
    assert files.certificate is not None
    chain = _certificates(files.certificate, raw["certificate"])
    try:
        key = load_pem_private_key(raw["key"], None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise CredentialsUnfit(f"{files.key} holds no private key in PEM, or one with a passphrase") from None
    if key.public_key() != chain[0].public_key():
        raise CredentialsUnfit(f"the key in {files.key} does not belong to the certificate in {files.certificate}")
    for each in chain:
        if each.not_valid_after_utc <= now:
            raise CredentialsUnfit(f"{files.certificate} expired on {_date(each.not_valid_after_utc)}")
        if each.not_valid_before_utc > now:
            begin = _date(each.not_valid_before_utc)
            raise CredentialsUnfit(f"{files.certificate} is not valid before {begin}: is the clock right?")
    return chain


def _authorities(path: Path, text: bytes, now: datetime) -> list[x509.Certificate]:
    """Return the authorities in a file that have not expired."""
    all_of_them = _certificates(path, text)
    valid = [each for each in all_of_them if each.not_valid_after_utc > now]
    if not valid:
        last = max(each.not_valid_after_utc for each in all_of_them)
        raise CredentialsUnfit(f"the authority in {path} expired on {_date(last)}")
    return valid


def _certificates(path: Path, text: bytes) -> list[x509.Certificate]:
    try:
        return x509.load_pem_x509_certificates(text)
    except ValueError:
        raise CredentialsUnfit(f"{path} holds no certificate in PEM") from None


def _password(path: Path, text: bytes) -> str:
    try:
        return secret_of(text)
    except ValueError:
        raise CredentialsUnfit(f"{path} holds no password") from None


def _context(files: Files, authorities: list[x509.Certificate] | None) -> ssl.SSLContext:
    """Return what TLS 1.2 or newer is spoken with: the broker's certificate and its host are always checked."""
    believed = None if authorities is None else b"".join(each.public_bytes(Encoding.DER) for each in authorities)
    try:
        context = ssl.create_default_context(cadata=believed)
        if files.certificate is not None:
            context.load_cert_chain(files.certificate, files.key, password=_no_passphrase)
    except (ssl.SSLError, OSError) as error:
        reason = getattr(error, "reason", None) or error.strerror or error
        raise CredentialsUnfit(f"TLS cannot use {files.certificate or files.ca}: {reason}") from None
    context.sslsocket_class = TellingSocket
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    return context


def _no_passphrase() -> str:
    """Ask nobody: a service has no terminal."""
    return ""


def _ends_us(certificates: list[x509.Certificate] | None) -> int | None:
    """Return when the first of them to end does."""
    if certificates is None:
        return None
    return round(min(each.not_valid_after_utc for each in certificates).timestamp() * 1e6)


def _date(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d}"
