"""The service's clock: the one place that reads the machine's time."""

import time


def now_us() -> int:
    """Return the present instant in microseconds since the Unix epoch, UTC."""
    return time.time_ns() // 1000
