"""Draws on which of the two databases a test runs, where one of them is enough in everyday work."""

import re
from collections import defaultdict
from collections.abc import Iterable
from zlib import crc32

#: With this set to 1 each test runs on both.
BOTH = "ZONELEDGER_TEST_BOTH"
#: What stands on the store, whose own tests always run on both.
DRAWN = ("tests/integration/api/", "tests/scenarios/")

_KIND = re.compile(r"(?<=[\[-])(sqlite|postgresql)(?=[\]-])")


def left_out(tests: Iterable[str], *, has_postgresql: bool) -> set[str]:
    """Return those of the named tests that need not run: of each that is there for both databases, the one that its name draws."""
    pairs: dict[str, dict[str, str]] = defaultdict(dict)
    for test in tests:
        kinds = _KIND.findall(test)
        if test.startswith(DRAWN) and len(kinds) == 1:
            pairs[_KIND.sub("", test)][kinds[0]] = test
    return {
        pair["sqlite" if has_postgresql and crc32(name.encode()) % 2 else "postgresql"]
        for name, pair in pairs.items()
        if len(pair) == 2
    }
