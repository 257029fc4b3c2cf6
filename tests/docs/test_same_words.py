"""The terminal and the pages call the same things by the same words."""

import ast
import re

import pytest

from tests.docs.pages import ROOT
from zoneledger_cli import doctor, reason_words, report_tables

WEB = ROOT / "service" / "zoneledger" / "api" / "web"


def _page(*names: str) -> str:
    return "\n".join((WEB / name).read_text(encoding="utf-8") for name in names)


#: A comment, or a text in quotes: one between backticks may hold what is put in as it is told.
_IN_SCRIPT = re.compile(r'/\*.*?\*/|//[^\n]*|"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`', re.DOTALL)


def _said_by_script(source: str) -> str:
    """Return the texts in quotes of a script: no name in it, and no comment, is taken for what people read."""
    return "\n".join(re.sub(r"\$\{[^}]*}", "", one[1] or one[2] or "") for one in _IN_SCRIPT.finditer(source))


def _said_by_program(source: str) -> str:
    """Return the texts of a Python program: no name, no docstring and no key of a mapping is taken for what people read."""
    nodes = list(ast.walk(ast.parse(source)))
    unsaid = {id(node.slice) for node in nodes if isinstance(node, ast.Subscript)}
    unsaid |= {id(node.value) for node in nodes if isinstance(node, ast.Expr)}
    texts = [node for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    return "\n".join(str(node.value) for node in texts if id(node) not in unsaid)


def _pages_say(*names: str) -> str:
    return _said_by_script(_page(*names)).lower()


def _terminal_says(name: str) -> str:
    return _said_by_program((ROOT / "adapters" / "zoneledger_cli" / name).read_text(encoding="utf-8")).lower()


def _table(script: str, name: str) -> dict[str, str]:
    """Return the texts of a table of words in a script, by what they stand for."""
    found = re.search(rf"const {name} = {{(.*?)}};", script, re.DOTALL)
    assert found is not None
    return dict(re.findall(r'(\w+): "([^"]*)"', found[1]))


def test_reasons_have_the_same_words() -> None:
    assert _table(_page("states.js"), "WORDS") == reason_words.WORDS
    assert reason_words.reason_of("idle", "panel") == "waits for panel"
    assert reason_words.reason_of("unknown", "reboot") == "nothing heard until the controller's next start"
    assert reason_words.reason_of("fault", "head") == "head", "an alarm's code is told as it came"
    assert reason_words.reason_of("unknown", None) == "not heard of yet"


def test_a_cell_that_waits_for_the_head_has_the_same_words() -> None:
    [words] = re.findall(r'const HEAD_IN_NO_ZONE = "([^"]*)"', _page("states.js"))
    assert reason_words.reason_of_cell("idle", "head") == words
    assert reason_words.reason_of_cell("fault", "head") == "head"
    assert reason_words.reason_of_cell("idle", "panel") == "waits for panel"


def test_the_steps_from_planned_time_to_good_work_have_the_same_words() -> None:
    assert _table(_page("sheet-tables.js"), "STEPS") == report_tables.STEPS


def test_a_warning_leaves_out_the_clause_for_programs() -> None:
    assert reason_words.for_people("What is so; see known of /v1/kpi.") == "What is so."
    assert reason_words.for_people("What is so; and so.") == "What is so; and so."


@pytest.mark.parametrize(
    "words",
    [
        "Before you quote these figures",
        "From planned time to good work",
        "good work by the standard",
        "What it was lost to",
        "Open questions",
        "without a reason",
        "very stretch longer than a minute has its reason",
        "of planned time is unknown: the OEE ",
        ", whatever happened then.",
        "What people said",
        "undid entry ",
        "took back what was said",
    ],
)
def test_a_shifts_sheet_has_the_same_words(words: str) -> None:
    assert words.lower() in _pages_say("sheet-sentence.js", "sheet-tables.js", "sheet-questions.js")
    assert words.lower() in _terminal_says("report_tables.py")


@pytest.mark.parametrize(
    "words",
    [
        "Messages by type",
        "a minute",
        "Longest silence",
        "Longest time between snapshots",
        "Nothing ever came on the link topic",
        "Controller's clock",
        "against the service's",
        "without a standard",
        "Refused: ",
        "Missing events",
        "Contradictions",
        doctor.KEPT,
        doctor.BROKEN_BY,
        doctor.CANNOT_BE_SAID.strip(),
        "Look at less time.",
        *doctor.SEVERITIES.values(),
    ],
)
def test_what_a_cell_sends_is_told_in_the_same_words(words: str) -> None:
    assert words.lower() in _pages_say("commissioning-parts.js")
    assert words.lower() in _terminal_says("doctor.py")


def test_only_what_people_read_is_taken_for_a_word() -> None:
    script = (
        'ZL.refused = (seen) => { /* "refused" */ one("Not taken"); // `refused`\n two(`${seen.refused} of "all"`); };'
    )
    assert _said_by_script(script) == '\nNot taken\n\n of "all"'
    program = '"""Refused."""\nrefused = answer["refused"]\nrows = [(f"not taken: {refused}", "-")]\n'
    assert sorted(_said_by_program(program).split("\n")) == ["-", "not taken: "]
