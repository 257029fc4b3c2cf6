"""How often a caller may ask, and how often an address may send what is not right: both are told to wait, and nobody else is."""

from math import ceil
from time import monotonic

from limits import RateLimitItemPerMinute
from limits.storage import Storage
from limits.strategies import FixedWindowRateLimiter

from zoneledger.core.callers import Caller
from zoneledger.core.errors import TooOften

#: So many wrong keys, tokens and sessions an address may send in a minute before it is told to wait.
FAILURES_A_MINUTE = 20


class Often:
    """Counts in this process, each minute anew; no `requests` a minute: callers may ask as often as they like."""

    def __init__(self, requests: int) -> None:
        self._limiter = FixedWindowRateLimiter(_Counts())
        self._requests = RateLimitItemPerMinute(requests, namespace="requests") if requests else None
        self._failures = RateLimitItemPerMinute(FAILURES_A_MINUTE, namespace="failures")

    def ask(self, caller: Caller) -> TooOften | None:
        """Count a request of a caller; return why it is not heard, None where it is."""
        if self._requests is None or self._limiter.hit(self._requests, caller.origin, caller.name):
            return None
        wait_s = self._wait_s(self._requests, caller.origin, caller.name)
        return TooOften(
            f"{caller.name} may ask {self._requests.amount:,} times a minute: ask again in {wait_s} s.", wait_s
        )

    def fail(self, address: str) -> TooOften | None:
        """Count something wrong that an address has sent; return why it is told nothing but to wait, None where it is told.

        What is right is let in from there all the same.
        """
        if self._limiter.hit(self._failures, address):
            return None
        wait_s = self._wait_s(self._failures, address)
        wrong = "Too many wrong keys, tokens or sessions came from this address"
        return TooOften(f"{wrong}: try again in {wait_s} s.", wait_s)

    def _wait_s(self, item: RateLimitItemPerMinute, *names: str) -> int:
        """Return after how many seconds it is counted anew, at least 1."""
        return max(1, ceil(self._limiter.get_window_stats(item, *names).reset_time - monotonic()))


class _Counts(Storage):
    """Counts by key, each until its time is over: the library's own storage begins a thread at nearly each request to drop these."""

    STORAGE_SCHEME = None

    def __init__(self) -> None:
        super().__init__()
        self._kept: dict[str, tuple[int, float]] = {}
        self._swept_s = monotonic()

    @property
    def base_exceptions(self) -> type[Exception]:
        return ValueError

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        number, ends_s = self._present(key)
        if number == 0:
            ends_s = monotonic() + expiry
            self._sweep(expiry)
        self._kept[key] = (number + amount, ends_s)
        return number + amount

    def _present(self, key: str) -> tuple[int, float]:
        """Return the count of a key and when its time is over, in seconds of the monotonic clock."""
        now_s = monotonic()
        number, ends_s = self._kept.get(key, (0, now_s))
        return (number, ends_s) if ends_s > now_s else (0, now_s)

    def _sweep(self, expiry: int) -> None:
        """Drop what is over, as seldom as it can be: there may be many keys."""
        now_s = monotonic()
        if now_s - self._swept_s >= expiry:
            self._swept_s = now_s
            self._kept = {key: kept for key, kept in self._kept.items() if kept[1] > now_s}

    def get(self, key: str) -> int:
        return self._present(key)[0]

    def get_expiry(self, key: str) -> float:
        return self._present(key)[1]

    def check(self) -> bool:
        return True

    def reset(self) -> int:
        number = len(self._kept)
        self._kept.clear()
        return number

    def clear(self, key: str) -> None:
        self._kept.pop(key, None)
