"""What the pages are made of: every file is on some page, and every page has its files."""

import re

from zoneledger.api.routes.pages import WEB

_NAMED = re.compile(r'"/assets/([\w.-]+)"')


def _named() -> dict[str, list[str]]:
    """Return for each page the assets that it names, in its order."""
    return {page.name: _NAMED.findall(page.read_text()) for page in WEB.glob("*.html")}


def test_every_file_is_on_some_page_and_every_page_has_its_files() -> None:
    files = {file.name for file in WEB.iterdir() if file.suffix in {".js", ".css", ".svg"}}
    assert {name for names in _named().values() for name in names} == files


def test_a_page_names_each_file_once_and_first_the_script_that_the_others_add_to() -> None:
    for names in _named().values():
        assert len(set(names)) == len(names)
        assert next(name for name in names if name.endswith(".js")) == "core.js"
        assert names == [name for name in names if not name.endswith(".js")] + [n for n in names if n.endswith(".js")]


def test_scripts_are_short_enough_to_be_read() -> None:
    for script in WEB.glob("*.js"):
        lines = script.read_text().splitlines()
        assert len(lines) <= 250, script.name
        assert max(map(len, lines)) <= 120, script.name
