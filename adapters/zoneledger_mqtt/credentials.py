"""What is shown to a broker, from files that are read anew for each connection, and watched while it lasts."""

import asyncio
import logging
import math
from collections.abc import Callable

from zoneledger.clock import now_us
from zoneledger_mqtt.credential_files import CredentialsUnfit, Files, Shown, digest_of, read_files

log = logging.getLogger(__name__)

#: How often the files are looked at. What has changed is taken once two looks found the same.
LOOK_S = 10.0


class Credentials:
    """The files of one broker: read for whoever connects, with what could be used last in mind, and watched by who is connected."""

    def __init__(self, files: Files, *, tls: bool) -> None:
        self._files = files
        self._tls = tls
        self._last: Shown | None = None
        self._fault: str | None = None
        #: When the certificate that the broker showed last ends; None before that, and without TLS.
        self.broker_ends_us: int | None = None

    @property
    def fit(self) -> bool:
        """Whether the files could be used when they were last looked at."""
        return self._fault is None

    @property
    def last(self) -> Shown | None:
        """What the files held when they could last be used."""
        return self._last

    def gauges(self) -> dict[str, Callable[[], float]]:
        """Return what is measured of the files and certificates that there are, by the names of the metrics."""
        gauges: dict[str, Callable[[], float]] = {}
        if self._files.named():
            gauges["broker_files_fit"] = lambda: self.fit
        if self._files.certificate is not None:
            ours = "broker_certificate_expires_in_seconds"
            gauges[ours] = lambda: _left_s(self._last.certificate_ends_us if self._last else None)
        if self._files.ca is not None:
            gauges["broker_ca_expires_in_seconds"] = lambda: _left_s(self._last.ca_ends_us if self._last else None)
        if self._tls:
            gauges["broker_server_certificate_expires_in_seconds"] = lambda: _left_s(self.broker_ends_us)
        return gauges

    def read(self) -> Shown:
        """Return what the files hold now, or where that cannot be used, what they held before; raise CredentialsUnfit without any."""
        try:
            self._last = read_files(self._files, now_us(), tls=self._tls)
        except CredentialsUnfit as error:
            if self._last is None:
                raise
            self._note(str(error))
        else:
            self._note(None)
        return self._last

    async def changed(self, shown: Shown) -> None:
        """Return once the files hold something else that can be used. Until then what a connection has `shown` goes on holding.

        Files that are half written are not fit for use, or are not the same at the next look. What is not fit is logged once.
        """
        seen = shown.digest
        while self._files.named():
            await asyncio.sleep(LOOK_S)
            found = await asyncio.to_thread(self._digest)
            if found == shown.digest:
                self._note(None)
            elif found == seen and await asyncio.to_thread(self._can_be_read):
                return
            seen = found
        await asyncio.Event().wait()

    def _digest(self) -> bytes:
        try:
            return digest_of(self._files)
        except CredentialsUnfit as error:
            return str(error).encode()

    def _can_be_read(self) -> bool:
        try:
            read_files(self._files, now_us(), tls=self._tls)
        except CredentialsUnfit as error:
            self._note(str(error))
            return False
        return True

    def _note(self, fault: str | None) -> None:
        if fault is not None and fault != self._fault:
            log.warning("%s: what was read before is used on, until that is mended", fault)
        elif fault is None and self._fault is not None:
            log.info("the files for the broker can be used again")
        self._fault = fault


def _left_s(ends_us: int | None) -> float:
    """Return how long it is until then; not a number where nobody knows."""
    return math.nan if ends_us is None else (ends_us - now_us()) / 1e6
