"""Lists what an installation consists of, with its licences, in docs/licences.md; `make licences` writes it there."""

import json
import re
import subprocess
import sys
from typing import Any

from packaging.requirements import Requirement

from tests.docs.pages import DOCS, read

PAGE = DOCS / "licences.md"
BEGIN = "<!-- generated from requirements-runtime.lock by make licences -->"
END = "<!-- end of what is generated -->"


def locked(name: str = "requirements-runtime.lock") -> list[Requirement]:
    """Return what a lock names, each with its one version and where it is wanted."""
    lines = re.findall(r"^[a-z0-9][^\\\n]*", read(name), re.MULTILINE)
    return [Requirement(line.strip()) for line in lines]


def table(found: list[dict[str, Any]]) -> str:
    """Return what pip-licenses has found as a table."""
    by_name = sorted(found, key=lambda one: str(one["Name"]).lower())
    lines = [f"| {one['Name']} | {one['Version']} | {one['License'].replace('|', '/')} |" for one in by_name]
    return "\n".join(["| package | version | licence |", "| --- | --- | --- |", *lines])


def redrawn(page: str, drawn: str) -> str:
    """Return the page with another table; raise ValueError where the marks are missing."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("docs/licences.md has lost the marks of what is generated")
    return f"{before}{BEGIN}\n\n{drawn}\n\n{END}{after}"


if __name__ == "__main__":
    tool, python = sys.argv[1:]
    command = [tool, f"--python={python}", "--from=mixed", "--format=json"]
    found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    PAGE.write_text(redrawn(PAGE.read_text(encoding="utf-8"), table(found)), encoding="utf-8")
