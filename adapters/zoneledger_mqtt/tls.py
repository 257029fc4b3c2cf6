"""TLS with a broker: a socket that keeps the reason why it ended, and the words for what one side does not take of the other."""

import ssl
from typing import Any

#: X.509 verification errors, as OpenSSL numbers them.
_EXPIRED, _NOT_YET, _OTHER_HOST, _OTHER_ADDRESS, _PURPOSE = 10, 9, 62, 64, 26
_UNKNOWN = (2, 18, 19, 20, 21)
#: What the broker's alert says of our certificate: RFC 8446, section 6.2.
_ALERTS = {
    "UNKNOWN_CA": "it does not know the authority that signed it",
    "CERTIFICATE_EXPIRED": "it has expired",
    "CERTIFICATE_REVOKED": "it was revoked",
    "UNSUPPORTED_CERTIFICATE": "it is not one of a client",
    "BAD_CERTIFICATE": "it is damaged, or not signed as it should be",
    "CERTIFICATE_UNKNOWN": "it does not say why",
    "ACCESS_DENIED": "it is not let in",
}
_WANTED = ("CERTIFICATE_REQUIRED", "HANDSHAKE_FAILURE")
NO_TLS = "it hung up while TLS was begun: does it speak TLS on that port?"
_HUNG_UP = ("WRONG_VERSION_NUMBER", "UNEXPECTED_EOF_WHILE_READING", "RECORD_LAYER_FAILURE", "UNSUPPORTED_PROTOCOL")


class TellingSocket(ssl.SSLSocket):
    """A TLS socket that remembers what ended it: those who read from it tell only that the connection was lost."""

    failure: OSError | None = None

    def do_handshake(self, block: bool = False) -> None:
        """Begin TLS; where that fails, leave no socket behind."""
        try:
            super().do_handshake(block)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except OSError:
            self.close()
            raise

    def recv(self, buflen: int = 1024, flags: int = 0) -> bytes:
        """Return at most so many bytes."""
        try:
            return super().recv(buflen, flags)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except OSError as error:
            self._note(error)
            raise

    def send(self, data: Any, flags: int = 0) -> int:
        """Write some of the bytes, and return how many."""
        try:
            return super().send(data, flags)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except OSError as error:
            self._note(error)
            raise

    def _note(self, error: OSError) -> None:
        """Keep an error, but for an alert of the other side, which says more than what comes after it."""
        if "ALERT" not in str(getattr(self.failure, "reason", "")):
            self.failure = error


def refusal(error: BaseException | None, host: str, *, ca: str, certificate: str | None) -> str | None:
    """Return in words why TLS with a broker did not come about; None where it is not for TLS."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return _not_believed(error, host, ca)
    if isinstance(error, ConnectionResetError):
        return NO_TLS
    if not isinstance(error, ssl.SSLError):
        return None
    reason = error.reason or ""
    alert = reason.partition("ALERT_")[2]
    if certificate is None and alert in _WANTED:
        return "it asks for a client certificate, and none is given"
    if alert in _ALERTS:
        return f"it does not take our certificate {certificate}: {_ALERTS[alert]}"
    if alert == "PROTOCOL_VERSION":
        return "it speaks no TLS of version 1.2 or newer"
    if reason in _HUNG_UP:
        return NO_TLS
    return f"TLS with it failed: {reason.lower().replace('_', ' ') or error}"


def _not_believed(error: ssl.SSLCertVerificationError, host: str, ca: str) -> str:
    code = error.verify_code
    if code == _EXPIRED:
        return "its certificate has expired"
    if code == _NOT_YET:
        return "its certificate is not valid yet: is the clock right?"
    if code in (_OTHER_HOST, _OTHER_ADDRESS):
        return f"its certificate is for another host than {host}"
    if code == _PURPOSE:
        return "its certificate is not one of a server"
    if code in _UNKNOWN:
        return f"its certificate is not signed by an authority in {ca}"
    return f"its certificate is not believed: {error.verify_message}"
