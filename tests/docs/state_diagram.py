"""Draws the table of states for docs/concepts.md; `python -m tests.docs.state_diagram` writes it there."""

from tests.docs.pages import DOCS
from zoneledger.core.states import ACTIVITY_STATE, OVERLAY, PRECEDENCE

PAGE = DOCS / "concepts.md"
BEGIN = "<!-- generated from service/zoneledger/core/states.py by tests/docs/state_diagram.py -->"
END = "<!-- end of what is generated -->"


def drawn() -> str:
    """Return the diagram and the tables of states as Markdown."""
    parts = [_zone_diagram(), _zone_table(), _activity_table(), _cell_diagram()]
    return "\n\n".join(parts)


def _zone_diagram() -> str:
    lines = ["```mermaid", "flowchart TD"]
    last = len(PRECEDENCE)
    for number, (condition, state, reason) in enumerate(PRECEDENCE, 1):
        end = f'S{number}["{state}<br/>{reason}"]'
        if number == last:
            lines.append(f"  C{number - 1} -- no --> {end}")
        else:
            lines.append(f'  C{number}{{"{condition}?"}} -- yes --> {end}')
            if number < last - 1:
                lines.append(f"  C{number} -- no --> C{number + 1}")
    return "\n".join([*lines, "```"])


def _zone_table() -> str:
    lines = ["| | the first that holds of a zone | state | reason |", "| --- | --- | --- | --- |"]
    lines += [f"| {number} | {what} | {state} | {why} |" for number, (what, state, why) in enumerate(PRECEDENCE, 1)]
    return "\n".join(lines)


def _activity_table() -> str:
    lines = ["| activity | state |", "| --- | --- |"]
    return "\n".join(lines + [f"| `{activity}` | {state} |" for activity, state in ACTIVITY_STATE.items()])


def _cell_diagram() -> str:
    lines = ["```mermaid", "flowchart TD"]
    for number, state in enumerate(OVERLAY[:-1], 1):
        lines.append(f'  Z{number}{{"any zone {state}?"}} -- yes --> K{number}["cell {state}"]')
        following = f"Z{number + 1}" if number < len(OVERLAY) - 1 else f'K{number + 1}["cell {OVERLAY[-1]}"]'
        lines.append(f"  Z{number} -- no --> {following}")
    return "\n".join([*lines, "```"])


def redrawn(page: str) -> str:
    """Return a page with what stands between the two marks drawn anew; raise ValueError where the marks are missing."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("docs/concepts.md has lost the marks of what is generated")
    return f"{before}{BEGIN}\n\n{drawn()}\n\n{END}{after}"


if __name__ == "__main__":
    PAGE.write_text(redrawn(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
