"""What a unit comes to over a window, as it adds up over slots and cells; and the same as a text that the store keeps."""

from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from functools import reduce
from operator import add
from typing import Any

import msgspec

from zoneledger.core.figures import Account
from zoneledger.core.warnings import Kind

#: The version of what a text holds and of the rules by which it was summed. It rises when either changes; others are not read.
RULES = 1


@dataclass(slots=True)
class Total:
    """The account of a line or cell, of a cell those of its zones, and the kinds of fasteners that were made without a standard."""

    account: Account = field(default_factory=Account)
    zones: dict[str, Account] = field(default_factory=dict)
    unrated: set[Kind] = field(default_factory=set)

    def __add__(self, other: "Total") -> "Total":
        zones = dict(self.zones)
        for zone, account in other.zones.items():
            zones[zone] = zones[zone] + account if zone in zones else account
        return Total(self.account + other.account, zones, self.unrated | other.unrated)


def added(totals: Iterable[Total]) -> Total:
    """Return what totals come to together."""
    found = list(totals)
    return reduce(add, found) if found else Total()


_NUMBERS = tuple(f.name for f in fields(Account))[:-2]

assert tuple(f.name for f in fields(Account))[-2:] == ("reasons", "given")


def _values(account: Account) -> list[object]:
    reasons = [[*key, length_us] for key, length_us in sorted(account.reasons.items())]
    given = [[*key, length_us] for key, length_us in sorted(account.given.items())]
    return [*(getattr(account, name) for name in _NUMBERS), reasons, given]


def _account(values: list[Any]) -> Account:
    *numbers, reasons, given = values
    by_reason = {(state, reason): length_us for state, reason, length_us in reasons}
    by_given = {(state, reason, name): length_us for state, reason, name, length_us in given}
    return Account(*numbers, by_reason, by_given)  # type: ignore[call-arg]  # as many numbers as it has


def dump_total(total: Total) -> str:
    """Return a total as compact JSON: lists in the order of the fields."""
    zones = [[zone, _values(account)] for zone, account in sorted(total.zones.items())]
    unrated = sorted(([*kind] for kind in total.unrated), key=repr)
    return msgspec.json.encode([_values(total.account), zones, unrated]).decode()


def load_total(text: str) -> Total:
    """Return the total that `dump_total` gave."""
    own, zones, unrated = msgspec.json.decode(text)
    accounts = {zone: _account(values) for zone, values in zones}
    return Total(_account(own), accounts, {(operation, item, program) for operation, item, program in unrated})
