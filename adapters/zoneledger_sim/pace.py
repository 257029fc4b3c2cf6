"""When a simulated message may leave, by the wall clock."""

from collections.abc import Callable

Due = Callable[[int], int]
"""From a message's instant to the wall-clock instant at which it is due, both in microseconds since the Unix epoch."""


def at_once(_at_us: int) -> int:
    """As fast as possible, the future included."""
    return 0


def real_time(at_us: int) -> int:
    """The past as fast as possible, and then each message at its time."""
    return at_us


def paced(start_us: int, begun_us: int, factor: float) -> Due:
    """Return a pace `factor` times as fast as the wall clock, which read `begun_us` when `start_us` was simulated.

    No message leaves before its own time, which a listener would not believe. Raises ValueError unless factor > 0.
    """
    if factor <= 0:
        raise ValueError(f"the pace must be above 0, not {factor}")
    return lambda at_us: max(at_us, begun_us + round((at_us - start_us) / factor))
