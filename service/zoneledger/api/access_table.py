"""The table of who may call what, as a page: `python -m zoneledger.api.access_table > docs/access-table.md`."""

import sys

from zoneledger.api.guard import TABLE, Rule, Where

HEAD = """# Who may call what

Where [authentication](access.md) is on, each call takes a scope, and reaches units. What is not in this table nobody may call.
The scope `admin` includes the others. The program writes this page: `python -m zoneledger.api.access_table > docs/access-table.md`.

| call | scope | unit |
| --- | --- | --- |
"""


def text() -> str:
    """Return the page."""
    return HEAD + "".join(
        f"| `{method} {path}` | {_scope(rule)} | {_unit(rule)} |\n" for (method, path), rule in TABLE.items()
    )


def _scope(rule: Rule) -> str:
    if rule.is_open:
        return "none: open to strangers"
    if rule.opens:
        return f"any; open to strangers: {', '.join(f'`{name}`' for name in rule.opens)}"
    return "any" if rule.scope is None else f"`{rule.scope}`"


def _unit(rule: Rule) -> str:
    match rule.where:
        case Where.NOWHERE:
            return ""
        case Where.ALL:
            return "the whole plant: only for who reaches all units"
        case Where.OWN:
            return "answered of the caller's units" + (f", or of `{rule.name}` among them" if rule.name else "")
        case Where.PATH:
            return f"`{rule.name}` of the path"
        case Where.QUERY:
            return f"the parameter `{rule.name}`, which a caller of some units has to give"
        case Where.BODY:
            return f"`{rule.name}` of the body, which a caller of some units has to give"
        case Where.FOUND:
            return "that of the entry or run with this number"


if __name__ == "__main__":
    sys.stdout.write(text())
