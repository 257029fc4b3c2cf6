"""The audit log: what its entries are named, and refusals, which are counted until they are written."""

import logging
from collections import Counter

from zoneledger.application.keyring import AuditRow
from zoneledger.core.callers import Caller
from zoneledger.wording import printable

log = logging.getLogger(__name__)

LOGIN, LOGOUT, REFUSED, KEY, PLANT = "login", "logout", "refused", "key", "plant"
REASONS, PROOF = "reasons", "proof"

#: So many addresses are told apart between two writings, and so many causes of one: the rest is counted together.
MOST_ADDRESSES, MOST_CAUSES = 50, 10
OTHERS = "others"
LONGEST_ADDRESS, LONGEST_DETAIL = 64, 1000


def who_of(caller: Caller) -> str:
    """Return a caller as the log names it, with what told who it is: an issuer may name a subject as a key is named."""
    return caller.name if caller.origin == "open" else f"{caller.name} ({caller.origin})"


def entry(at_us: int, what: str, who: str, address: str, detail: str) -> AuditRow:
    """Return an entry, as plain text."""
    return AuditRow(
        at_us, what, printable(who, 300), printable(address, LONGEST_ADDRESS), printable(detail, LONGEST_DETAIL)
    )


def tell(row: AuditRow) -> None:
    """Tell what has happened in the program's own log, too."""
    log.info("audit: %s by %s from %s: %s", row.what, row.who or "nobody known", row.address or "here", row.detail)


class Refusals:
    """What was refused since it was last taken, by address and caller, by cause: an entry each, and not one a guess."""

    def __init__(self) -> None:
        self._counts: dict[tuple[str, str], Counter[str]] = {}

    def count(self, address: str, who: str, cause: str) -> None:
        """Count a refusal; the first of an address is told in the program's own log at once."""
        place = (printable(address, LONGEST_ADDRESS), printable(who, 300))
        if place not in self._counts and len(self._counts) >= MOST_ADDRESSES:
            place = (OTHERS, "")
        if place not in self._counts:
            log.warning("refused from %s: %s", place[0] or "an unknown address", printable(cause, LONGEST_DETAIL))
        counts = self._counts.setdefault(place, Counter())
        counts[cause if cause in counts or len(counts) < MOST_CAUSES else "for other causes"] += 1

    def take(self, now_us: int) -> list[AuditRow]:
        """Return an entry for each address and caller, and begin to count anew."""
        counts, self._counts = self._counts, {}
        return [
            AuditRow(now_us, REFUSED, who, address, printable(_sentence(causes), LONGEST_DETAIL))
            for (address, who), causes in counts.items()
        ]


def _sentence(causes: Counter[str]) -> str:
    return "; ".join(f"{number:,} x {cause}" for cause, number in causes.most_common())
