"""Makes certificates for plants without authorities of their own: an authority, and what it signs (RFC 5280, EC keys on P-256)."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from ipaddress import ip_address

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

#: How long an authority lasts, and what it signs at most: some clients take no certificate that lasts longer.
AUTHORITY_DAYS, LEAF_DAYS = 3650, 397
#: How far a certificate begins in the past, for clocks that are behind.
BEHIND = timedelta(hours=1)
#: A common name has no more characters (RFC 5280, appendix A.1: ub-common-name).
LONGEST_NAME = 64

_HOST = re.compile(r"(\*\.)?[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*")
_SERVER, _CLIENT = ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH


class Use(Enum):
    """What a certificate is for; a broker's is also a client's, by which the broker looks whether it answers."""

    BROKER = (_SERVER, _CLIENT)
    SERVER = (_SERVER,)
    CLIENT = (_CLIENT,)


@dataclass(frozen=True, slots=True)
class Wanted:
    """A certificate that is to be signed: its common name, what it is for, and the hosts of a server."""

    name: str
    use: Use
    hosts: tuple[str, ...] = ()

    @classmethod
    def like(cls, certificate: x509.Certificate) -> "Wanted":
        """Return what would make such a certificate again."""
        name = str(certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value)
        use = Use(tuple(certificate.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value))
        try:
            names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
        except x509.ExtensionNotFound:
            return cls(name, use)
        return cls(name, use, tuple(str(one.value) for one in names))


@dataclass(frozen=True, slots=True)
class Pair:
    """A certificate and its private key."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey

    @classmethod
    def read(cls, certificate: bytes, key: bytes) -> "Pair":
        """Return a pair of PEM texts; raise ValueError where it is none."""
        private = load_pem_private_key(key, None)
        read = x509.load_pem_x509_certificate(certificate)
        if not isinstance(private, ec.EllipticCurvePrivateKey) or private.public_key() != read.public_key():
            raise ValueError("the key does not belong to the certificate")
        return cls(read, private)

    def certificate_text(self) -> bytes:
        """Return the certificate as PEM."""
        return self.certificate.public_bytes(Encoding.PEM)

    def key_text(self) -> bytes:
        """Return the private key as PEM, without a passphrase: nobody is there to type one when a service starts."""
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def new_authority(now: datetime) -> Pair:
    """Return an authority that signs for ten years, and none below itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = _name(f"Zoneledger authority {now:%Y-%m-%d}")
    usage = _usage(signs=True)
    builder = _begun(name, name, key, now, now - BEHIND + timedelta(days=AUTHORITY_DAYS))
    builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
    return Pair(builder.add_extension(usage, critical=True).sign(key, hashes.SHA256()), key)


def sign(authority: Pair, wanted: Wanted, now: datetime, days: int = LEAF_DAYS) -> Pair:
    """Return a new key and a certificate of it that lasts so many days, or as long as the authority.

    Raises ValueError for a name that no certificate can have, and for an authority that has expired.
    """
    if len(wanted.name) > LONGEST_NAME:
        raise ValueError(f"a certificate's name has at most {LONGEST_NAME} characters, and {wanted.name} more")
    signer = authority.certificate
    if signer.not_valid_after_utc <= now:
        raise ValueError(
            f"the authority expired on {signer.not_valid_after_utc:%Y-%m-%d}: make a new one in another folder"
        )
    key = ec.generate_private_key(ec.SECP256R1())
    ends = min(now - BEHIND + timedelta(days=days), signer.not_valid_after_utc)
    builder = _begun(_name(wanted.name), signer.subject, key, now, ends)
    of_signer = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())
    builder = builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
    builder = builder.add_extension(_usage(signs=False), critical=True)
    builder = builder.add_extension(x509.ExtendedKeyUsage(wanted.use.value), critical=False)
    builder = builder.add_extension(of_signer, critical=False)
    if wanted.hosts:
        builder = builder.add_extension(x509.SubjectAlternativeName(_hosts(wanted.hosts)), critical=False)
    return Pair(builder.sign(authority.key, hashes.SHA256()), key)


def instant(us: int) -> datetime:
    """Return an instant as certificates have it: in whole seconds, UTC."""
    return datetime.fromtimestamp(us // 1_000_000, UTC)


def _begun(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime, ends: datetime
) -> x509.CertificateBuilder:
    builder = x509.CertificateBuilder(
        issuer, subject, key.public_key(), x509.random_serial_number(), now - BEHIND, ends
    )
    return builder.add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)


def _name(common: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common)])


def _usage(*, signs: bool) -> x509.KeyUsage:
    """Return what a key is for: to sign certificates, or to prove whose it is (TLS signs; it encrypts with other keys)."""
    return x509.KeyUsage(
        digital_signature=not signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )


def _hosts(hosts: Sequence[str]) -> list[x509.GeneralName]:
    return [_host(host) for host in hosts]


def _host(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ip_address(host))
    except ValueError:
        if not _HOST.fullmatch(host):
            raise ValueError(f"a host should be a name or an address, such as broker.example, not {host!r}") from None
        return x509.DNSName(host)
