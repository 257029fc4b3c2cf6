"""A verification as people read it."""

from rich.console import Console
from rich.table import Table

from zoneledger_sim.verification import Verification

_TIMES = {
    "ready after": "recover_s",
    "all taken in after": "drain_s",
    "most time wrong": "wrong_s",
    "most time unknown": "unknown_s",
    "largest difference of a time": "largest_difference_s",
}
_MESSAGES = ("attempted", "acknowledged", "stored", "lost", "unexpected", "duplicated", "altered")


def _rows(found: Verification) -> list[tuple[str, str]]:
    rows = [(f"messages {name}", f"{getattr(found, name):,}") for name in _MESSAGES]
    rows.append(("messages that came again", f"{found.duplicates_received:,}"))
    rows += [(f"messages refused: {reason}", f"{number:,}") for reason, number in sorted(found.refused.items())]
    rows += [("events reported missing", f"{found.gaps_reported:,}"), ("events missing", f"{found.gaps_expected:,}")]
    rows += [(f"{name} s", _time(getattr(found, field))) for name, field in _TIMES.items()]
    fasteners = found.largest_difference_fasteners
    rows.append(("largest difference of a number of fasteners", "-" if fasteners is None else f"{fasteners:,}"))
    return rows


def _time(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds:,.6f}"


def show(found: Verification, console: Console) -> None:
    """Print what was found: a table, what was not compared, and a sentence on each thing that is not right."""
    table = Table(title="What became of the messages, and how far the figures are from the truth")
    table.add_column("found")
    table.add_column("", justify="right")
    for row in _rows(found):
        table.add_row(*row)
    console.print(table)
    for sentence in (*found.notes, *found.sentences):
        console.print(sentence, soft_wrap=True, highlight=False)
    if found.agrees:
        compared = "nothing was compared with a truth" if found.wrong_s is None else "the figures are the truth's"
        console.print(
            f"Nothing was lost, added, doubled or altered; the gaps are those that there should be; {compared}."
        )
