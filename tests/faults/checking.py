"""What became of a fault run, as `zoneledger verify` tells it, in the columns of the table of faults."""

import asyncio
import time
from dataclasses import dataclass
from pathlib import Path

from zoneledger_cli.verifying import verify


@dataclass(frozen=True)
class Outcome:
    """One line of the table, in different messages: sent and acknowledged, stored, lost by the service, stored twice or altered.

    `upstream` is how many events never reached the service, by the ledger file; `gaps` how many it reports as missing.
    `recover_s` and `drain_s` count from the end of the fault until the service was ready and until all was stored;
    `difference` is the largest of a time (seconds) or a count from what it should be. `wrong` says what else is not right.
    """

    sent: int
    stored: int
    upstream: int
    gaps: int
    lost: int
    twice: int
    refused: int
    recover_s: float
    drain_s: float
    difference: float
    wrong: tuple[str, ...] = ()
    note: str = ""

    @property
    def faultless(self) -> bool:
        """Whether nothing was lost or stored twice, what is missing is known, and no figure is wrong."""
        return not (self.lost or self.twice or self.difference or self.wrong) and self.gaps == self.upstream


def check(
    ledger: Path,
    url: str,
    *,
    recover_s: float,
    ended_s: float,
    wait_s: float,
    quiet_s: float,
    broker_loses: bool = False,
) -> Outcome:
    """Wait until all is stored that will be, and hold the service against the ledger file.

    Where the fault makes the broker lose what it has acknowledged (`broker_loses`), what is neither stored nor refused was lost
    upstream: its events have to be reported as missing, each of them.
    """
    began_s = time.monotonic()
    found = asyncio.run(verify(ledger, url, wait_s, quiet_s))
    excused = "neither stored nor refused" if broker_loses else "\0"
    return Outcome(
        sent=found.acknowledged,
        stored=found.stored,
        upstream=found.gaps_expected,
        gaps=found.gaps_reported,
        lost=0 if broker_loses else found.lost,
        twice=found.duplicated + found.altered + found.unexpected,
        refused=sum(found.refused.values()),
        recover_s=recover_s,
        drain_s=began_s + found.drain_s - ended_s,
        difference=max(found.largest_difference_s or 0.0, found.largest_difference_fasteners or 0),
        wrong=tuple(sentence for sentence in found.sentences if excused not in sentence),
        note=f"the broker lost {found.lost}" if broker_loses else "",
    )
