"""What the reasons of states are called in the terminal: in the same words as on the pages, see api/web/states.js."""

WORDS = {
    "unexplained": "no reason told",
    "no_evidence": "not heard of yet",
    "head": "waits for the head",
    "process": "works",
    "load": "loading",
    "unload": "unloading",
    "setup": "setting up",
    "minor_stop": "minor stops",
    "gap": "messages missing",
    "reboot": "nothing heard until the controller's next start",
    "clock": "the controller's clock was set back",
    "not_reported": "left out by the controller's snapshots",
    "no_snapshot": "no snapshot yet",
    "silence": "nothing heard",
    "not_kept": "not kept any more",
}


def reason_of(state: str, reason: str | None) -> str:
    """Return what a reason is called: the contract's words and alarm codes as they came, others in plain words."""
    if reason is None:
        return WORDS["no_evidence"]
    if state == "fault":
        return reason
    if state == "idle" and reason not in WORDS:
        return f"waits for {reason}"
    return WORDS.get(reason, reason)


#: As on the page: a cell that waits for the head has lost that time, as none of its zones works.
HEAD_IN_NO_ZONE = "no zone works, one waits for the head"


def reason_of_cell(state: str, reason: str | None) -> str:
    """Return what a reason of a cell is called."""
    return HEAD_IN_NO_ZONE if (state, reason) == ("idle", "head") else reason_of(state, reason)


def for_people(text: str) -> str:
    """Leave out of a warning the clause that tells programs where to read on."""
    said, mark, clause = text.rpartition(";")
    return f"{said}." if mark and "/v1/" in clause else text
