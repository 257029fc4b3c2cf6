"""Writes the columns of all tables into docs/tables.md: `python -m tests.docs.table_columns`."""

from tests.docs.pages import DOCS
from zoneledger.application.tables.asking import TABLES

PAGE = DOCS / "tables.md"
BEGIN = "<!-- generated from service/zoneledger/application/tables by tests/docs/table_columns.py -->"
END = "<!-- end of what is generated -->"

_WHAT = {
    "spans": "The ledger itself: each state with its reason, over [start, end).",
    "fasteners": "Each fastener, hole or trim that was made.",
    "panels": "Each panel's way through a zone that ended in the window.",
    "shifts": "What each shift that begins in the window came to, of lines, cells and zones.",
    "losses": "Where the planned time of each shift that begins in the window went, by step and reason.",
    "events": "Every event as it came, in the order in which they were stored; of cells of the plant model.",
    "refused": "Every refused message, in the order in which they came.",
    "gaps": "Events that are missing now; of a window those whose time overlaps it.",
    "discrepancies": "Where controllers contradict themselves.",
    "reasons": "What people said of time that overlaps the window, undone or not, in the order in which they did.",
}


def written() -> str:
    """Return a section for each table as Markdown."""
    parts = []
    for table in TABLES.values():
        lines = [
            f"### {table.name}",
            "",
            _WHAT[table.name],
            "",
            "| column | kind | what it is |",
            "| --- | --- | --- |",
        ]
        lines += [f"| `{column.name}` | {column.kind} | {column.meaning} |" for column in table.columns]
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


def rewritten(page: str) -> str:
    """Return a page with what stands between the two marks written anew; raise ValueError where the marks are missing."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("docs/tables.md has lost the marks of what is generated")
    return f"{before}{BEGIN}\n\n{written()}\n\n{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(rewritten(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
