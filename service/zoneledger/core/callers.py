"""Who calls, and what they may do: scopes, each over all units or some."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from zoneledger.core.plant import is_path_step

Origin = Literal["key", "token", "session", "open"]
"""What tells who calls: a key, a token, a session that began with either, or nothing, where nobody is asked."""


class Scope(StrEnum):
    """What a caller may do; `admin` includes the three others."""

    READ = "read"
    REASONS = "reasons"
    INGEST = "ingest"
    ADMIN = "admin"


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who calls; `units` are the paths of what they reach, None for all."""

    name: str
    scopes: frozenset[Scope]
    units: tuple[str, ...] | None
    origin: Origin

    def may(self, scope: Scope) -> bool:
        """Return whether the caller has a scope, or `admin`."""
        return scope in self.scopes or Scope.ADMIN in self.scopes

    def reaches(self, path: str) -> bool:
        """Return whether a unit is one of the caller's units or lies below one."""
        return self.units is None or any(path == unit or path.startswith(f"{unit}/") for unit in self.units)


#: Who calls where nobody is asked.
EVERYONE = Caller("open", frozenset(Scope), None, "open")


def scopes_of(words: Iterable[str]) -> frozenset[Scope]:
    """Return the scopes that are among words, each with or without `zoneledger:` before it; other words say nothing."""
    known = {scope.value: scope for scope in Scope}
    return frozenset(known[plain] for word in words if (plain := word.removeprefix("zoneledger:")) in known)


def is_unit_path(text: str) -> bool:
    """Return whether a text may be the path of a unit that a caller has: a site, line or cell, as lists are of whole cells."""
    steps = text.split("/")
    return len(steps) <= 3 and all(map(is_path_step, steps))
