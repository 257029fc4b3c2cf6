"""The one table of states: which condition of a zone means which state, in which order, and how a cell overlays its zones."""

from typing import Final

RUNNING: Final = "running"
IDLE: Final = "idle"
FAULT: Final = "fault"
CHANGEOVER: Final = "changeover"
UNKNOWN: Final = "unknown"

STATES = (RUNNING, IDLE, FAULT, CHANGEOVER, UNKNOWN)
KNOWN_STATES = STATES[:-1]

#: Of a zone's conditions the first that holds decides: (condition, state, where the reason comes from).
PRECEDENCE = (
    ("no evidence", UNKNOWN, "why there is none: gap, reboot, clock, not_reported, silence"),
    ("a stop alarm of the zone or its cell is active", FAULT, "code of the first raised of those active"),
    ("a wait", IDLE, "what the zone waits for"),
    ("activity load, unload or setup", CHANGEOVER, "the activity"),
    ("activity process", RUNNING, "process"),
    ("nothing of these", IDLE, "unexplained"),
)

ACTIVITY_STATE = {"load": CHANGEOVER, "unload": CHANGEOVER, "setup": CHANGEOVER, "process": RUNNING}
UNEXPLAINED: Final = "unexplained"
HEAD: Final = "head"

#: A cell is in the first of these in which any of its zones is.
OVERLAY = (RUNNING, FAULT, CHANGEOVER, IDLE, UNKNOWN)
OVERLAY_RANK = {state: rank for rank, state in enumerate(OVERLAY)}

#: Why a time is unknown.
GAP: Final = "gap"
REBOOT: Final = "reboot"
CLOCK: Final = "clock"
NOT_REPORTED: Final = "not_reported"
SILENCE: Final = "silence"
NO_SNAPSHOT: Final = "no_snapshot"
#: Why time is unknown whose ledger is not kept any more: no booking says so, but whoever reads the ledger.
NOT_KEPT: Final = "not_kept"

Standing = tuple[str, str]
"""A state and its reason."""


def zone_standing(stop_code: str | None, wait: str | None, activity: str | None) -> Standing:
    """Return a known zone's state and reason by PRECEDENCE from what holds of it."""
    if stop_code is not None:
        return FAULT, stop_code
    if wait is not None:
        return IDLE, wait
    if activity is not None:
        return ACTIVITY_STATE[activity], activity
    return IDLE, UNEXPLAINED


def overlay(standings: list[Standing], stop_codes: list[str]) -> Standing:
    """Return a cell's state and reason from those of its zones in the order of their names (at least one).

    `stop_codes` are the active stop alarms that bear on a known zone, in the order in which they were raised.
    """
    state, reason = min(standings, key=lambda standing: OVERLAY_RANK[standing[0]])
    return (state, stop_codes[0]) if state == FAULT else (state, reason)
