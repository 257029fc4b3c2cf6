"""How the OEE of two windows differs, and how much of it each factor contributed, exactly.

The OEE is a product of three factors. In whichever order they are changed from one window's value to the other's, the steps sum
to the whole difference, but their sizes depend on the order. Each factor's contribution is the mean of its steps over all six
orders (L. Shapley's value; from memory). It is the same in both directions, but for the sign, and leaves no rest.
"""

from fractions import Fraction
from itertools import permutations
from typing import NamedTuple

from zoneledger.core.figures import Account, figures_of

FACTORS = ("availability", "performance", "quality")


class Contributions(NamedTuple):
    """What the change of each factor contributed to the difference of two OEEs; they sum to it."""

    availability: Fraction
    performance: Fraction
    quality: Fraction


def _factors(account: Account) -> tuple[Fraction | None, ...] | None:
    """Return availability, performance and quality, None where one is over nothing; None where there is no OEE to split."""
    a = account
    if figures_of(a).oee is None or (a.standard_us and not a.running_us):
        return None
    performance = Fraction(a.standard_us, a.running_us) if a.running_us else None
    quality = Fraction(a.good_standard_us, a.standard_us) if a.standard_us else None
    return Fraction(a.running_us, a.planned_us - a.unknown_us), performance, quality


def contributions(before: Account, after: Account) -> Contributions | None:
    """Return how much each factor contributed to the OEE of `after` less that of `before`; None where either has no OEE.

    A factor over nothing (quality where nothing was made, performance where nothing ran) has not changed: it is taken to be that of
    the other window.
    """
    factors = _factors(before), _factors(after)
    if factors[0] is None or factors[1] is None:
        return None
    old, new = list(factors[0]), list(factors[1])
    for i in range(len(FACTORS)):
        old[i], new[i] = (new[i] if old[i] is None else old[i]), (old[i] if new[i] is None else new[i])
    return _mean_steps([one or Fraction(0) for one in old], [one or Fraction(0) for one in new])


def _mean_steps(old: list[Fraction], new: list[Fraction]) -> Contributions:
    sums, orders = [Fraction(0)] * len(FACTORS), list(permutations(range(len(FACTORS))))
    for order in orders:
        present = list(old)
        for i in order:
            before = _product(present)
            present[i] = new[i]
            sums[i] += _product(present) - before
    return Contributions(*(total / len(orders) for total in sums))


def _product(factors: list[Fraction]) -> Fraction:
    availability, performance, quality = factors
    return availability * performance * quality
