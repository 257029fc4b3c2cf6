"""The documentation as tests read it: its pages, their fenced blocks, tables and links."""

import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"

_BLOCK = re.compile(r"^```([^\n`]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_LINK = re.compile(r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)")
_CODE = re.compile(r"`([^`\n]+)`")


class Block(NamedTuple):
    """A fenced block: the words after its fence, of which the first is the language, and its text."""

    words: tuple[str, ...]
    text: str

    def option(self, name: str) -> str | None:
        """Return the value of a word such as `cell=harbour/wing-1/cell-9`, None where there is none."""
        return next((word.partition("=")[2] for word in self.words if word.startswith(f"{name}=")), None)


def read(path: str) -> str:
    """Return the text of a page, by its path from the top of the repository."""
    return (ROOT / path).read_text(encoding="utf-8")


def pages() -> list[Path]:
    """Return every page: README, DEVELOPERS, SECURITY, and all below docs."""
    return [*(ROOT / f"{name}.md" for name in ("README", "DEVELOPERS", "SECURITY")), *sorted(DOCS.rglob("*.md"))]


def everything() -> str:
    """Return the text of all pages that a user reads: decisions and changelog left out."""
    kept = [page for page in pages() if "decisions" not in page.parts and page.name != "changelog.md"]
    return "\n".join(page.read_text(encoding="utf-8") for page in kept)


def blocks(text: str) -> list[Block]:
    """Return the fenced blocks of a text in their order."""
    return [Block(tuple(words.split()), body) for words, body in _BLOCK.findall(text)]


def without_blocks(text: str) -> str:
    """Return a text without its fenced blocks."""
    return _BLOCK.sub("", text)


def section(text: str, heading: str) -> str:
    """Return what stands under a heading, up to the next one of its level or above; raise ValueError if there is none."""
    found = re.search(rf"^(#+) {re.escape(heading)}$", text, re.MULTILINE)
    if found is None:
        raise ValueError(f"no heading {heading!r}")
    rest = text[found.end() :]
    following = re.search(rf"^#{{1,{len(found[1])}}} ", _blanked(rest), re.MULTILINE)
    return rest[: following.start()] if following else rest


def _blanked(text: str) -> str:
    """Return a text in which fenced blocks are as long and empty: a # in them is no heading."""
    return _BLOCK.sub(lambda match: " " * len(match[0]), text)


def rows(text: str) -> Iterator[list[str]]:
    """Yield the rows of the tables in a text, each as its cells; heads and rules left out."""
    lines = without_blocks(text).splitlines()
    for before, line in pairwise(lines):
        if line.startswith("|") and not line.startswith("| ---") and before.startswith("|"):
            yield [cell.strip() for cell in line.strip()[1:-1].split("|")]


def codes(cell: str) -> list[str]:
    """Return what stands in `code` marks in a text."""
    return _CODE.findall(cell)


def links(text: str) -> list[str]:
    """Return the targets of a text's links."""
    return _LINK.findall(without_blocks(text))


def anchors(text: str) -> set[str]:
    """Return the anchors of a page's headings, as they are made on the usual hosts."""
    headings = re.findall(r"^#+ (.+)$", _blanked(text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
