"""Evidence of silence: runs of equal snapshots of one place in the sequence, kept by their first and last instant only."""

from typing import NamedTuple


class Run(NamedTuple):
    """Equal snapshots of one (boot, seq) from `first_us` to `last_us`; `body` is their canonical content without `at`."""

    first_us: int
    last_us: int
    body: str


def merge_runs(runs: list[Run], at_us: int, body: str) -> list[Run] | None:
    """Return the runs of one (boot, seq) with one more snapshot, sorted, or None where they already tell as much.

    What the ledger makes of the runs does not depend on the order in which the snapshots came.
    """
    marks = sorted({(us, run.body) for run in runs for us in (run.first_us, run.last_us)} | {(at_us, body)})
    merged: list[Run] = []
    for us, content in marks:
        if merged and merged[-1].body == content:
            merged[-1] = merged[-1]._replace(last_us=us)
        else:
            merged.append(Run(us, us, content))
    return None if merged == runs else merged
