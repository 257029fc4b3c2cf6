"""Where a controller breaks the contract or could do better: each code there can be, and how a sentence on it is put together."""

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from zoneledger.application.hearing import MAX_ROWS
from zoneledger.application.refusal_findings import REMEDIES
from zoneledger.core.rows import Discrepancy
from zoneledger.wording import counted, printable

Severity = Literal["breach", "advice"]

#: Each finding that there can be, beside `refused_REASON` for each reason why messages are refused.
CODES: dict[str, Severity] = {
    "nothing_came": "breach",
    "cell_misnamed": "advice",
    "not_all_read": "advice",
    "events_missing": "breach",
    "boot_fell": "breach",
    "restarts_often": "advice",
    "snapshots_none": "breach",
    "snapshots_rare": "breach",
    "snapshot_late_after_start": "breach",
    "snapshot_differs": "breach",
    "zones_never_told": "breach",
    "zones_unlisted": "breach",
    "made_absent": "advice",
    "made_differs": "breach",
    "clock_off": "breach",
    "clock_drifts": "advice",
    "clock_not_believed": "breach",
    "clock_back": "advice",
    "silent_now": "breach",
    "arrived_late": "advice",
    "link_never_told": "breach",
    "link_down_while_sending": "breach",
    "activity_not_present": "breach",
    "wait_not_present": "breach",
    "alarm_not_active": "breach",
    "alarm_never_cleared": "advice",
    "verdicts_unmatched": "advice",
    "panel_absent": "advice",
    "nothing_rated": "advice",
    "some_unrated": "advice",
    "unknown_fields": "advice",
    "unknown_types": "advice",
    "duplicates_many": "advice",
    **{f"refused_{reason}": remedy.severity for reason, remedy in REMEDIES.items()},
}


class Finding(NamedTuple):
    """Where a controller breaks the contract, or could do better: `number` is the one that the text tells, None where it tells none.

    `first_us` and `last_us` are by the controller's clock; of what was refused, when it arrived.
    """

    code: str
    severity: Severity
    text: str
    number: float | None = None
    first_us: int | None = None
    last_us: int | None = None


def found(
    code: str, text: str, number: float | None = None, first_us: int | None = None, last_us: int | None = None
) -> Finding:
    """Return the finding of a code."""
    return Finding(code, CODES[code], text, number, first_us, last_us)


def seconds_of(length_us: int) -> str:
    """Return a length for a sentence."""
    return f"{length_us / 1e6:.1f} s"


def counted_rows(rows: Sequence[object], one: str, many: str) -> str:
    """Return so many rows with what is said of them: at least so many where as many as MAX_ROWS were read, and no more are."""
    least = "at least " if len(rows) >= MAX_ROWS else ""
    return f"{least}{counted(len(rows), one, many)}"


def the_last(rows: Sequence[object], word: str = "the last: ") -> str:
    """Return what leads to the last of several; nothing where there is only one."""
    return "" if len(rows) == 1 else word


def zones_named(names: Sequence[str]) -> str:
    """Return zones by their names, such as `zone 1` or `zones 1, 2`."""
    return f"{'zone' if len(names) == 1 else 'zones'} {names_of(names)}"


def names_of(names: Iterable[str], most: int = 10) -> str:
    """Return names of any origin for a sentence, without what a terminal would act on."""
    found = [printable(name, 80) for name in names]
    more = [f"{len(found) - most} more"] if len(found) > most else []
    return ", ".join(found[:most] + more)


def first_last(rows: Sequence[Discrepancy]) -> tuple[int, int]:
    """Return when the first and the last of these were."""
    return min(row.at_us for row in rows), max(row.at_us for row in rows)
