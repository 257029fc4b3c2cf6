"""What the environment has instead of settings: those that there cannot be, and names that are none; in sentences."""

from collections.abc import Iterable
from difflib import get_close_matches

from pydantic import ValidationError

from zoneledger.settings import COMMANDS_KEY, OF_TESTS, PREFIX, Settings, setting
from zoneledger.wording import words_of


def faults_of(error: ValidationError) -> list[str]:
    """Return a sentence for each setting that there cannot be, which names it."""
    faults = ((".".join(setting(str(step)) for step in one["loc"]), words_of(one)) for one in error.errors())
    return [f"{name} {words}".strip() for name, words in faults]


def not_read(environment: Iterable[str]) -> list[str]:
    """Return a sentence for each name in the environment that looks like a setting and is none."""
    known = [field.upper() for field in Settings.model_fields]
    sentences = []
    for name in sorted(environment):
        upper = name.upper()
        rest = upper.removeprefix(PREFIX)
        if upper.startswith(PREFIX) and rest not in known and not upper.startswith(OF_TESTS) and upper != COMMANDS_KEY:
            near = get_close_matches(rest, known, 1)
            hint = f"; did you mean {setting(near[0])}?" if near else f"; there are {', '.join(map(setting, known))}"
            sentences.append(f"{name} is no setting, and is not read{hint}")
    return sentences
