"""A table for the documents of what benchmarks have written: python -m benchmarks.table build/bench/*.json."""

import argparse
import json
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any


def rows_of(results: list[dict[str, Any]]) -> Iterator[str]:
    """Return a row for each comparison: medians, and from which to which ratio its runs went."""
    for one in results:
        raw, ours = (median(values) for values in zip(*one["runs"], strict=True))
        ratios = one["ratios"]
        spread = f"{ratios[0]:.2f} to {ratios[-1]:.2f}" if len(ratios) > 1 else "one run"
        told = f"{one['work']} | {one['baseline']} | {raw:,.4g} | {ours:,.4g} {one['unit']}"
        yield f"| {told} | {median(ratios):.2f} ({spread}) | {one['aim']} |"


def table(files: list[Path]) -> str:
    """Return the machine and a table in Markdown; files that compare nothing, as that of scaling, are named below it."""
    told = [json.loads(file.read_text()) for file in files]
    machines = {json.dumps(one["environment"], sort_keys=True): None for one in told}
    head = ["| work | baseline | baseline's | ours | ratio (runs) | aim |", "| --- | --- | --- | --- | --- | --- |"]
    rows = [row for one in told for row in rows_of(one.get("results", []))]
    others = [str(file) for file, one in zip(files, told, strict=True) if "results" not in one]
    rest = ["", f"To be read by themselves: {', '.join(others)}"] if others else []
    return "\n".join([*(f"Measured on: {machine}" for machine in machines), "", *head, *rows, *rest])


def main() -> None:
    """Print the table of the results in these files."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    print(table(parser.parse_args().files))


if __name__ == "__main__":
    main()
