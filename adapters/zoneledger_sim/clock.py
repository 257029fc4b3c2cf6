"""What a controller's clock tells: true time, but for what its plan and its steps do to it."""

from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

from zoneledger_sim.durations import US_PER_S
from zoneledger_sim.plan import ClockPlan


@lru_cache(maxsize=1024)
def _second_text(second: int) -> str:
    return datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%S")


def rfc3339(at_us: int) -> str:
    """Return microseconds since the Unix epoch as an RFC 3339 instant in UTC."""
    second, micros = divmod(at_us, US_PER_S)
    return f"{_second_text(second)}.{micros:06d}Z"


class Clock:
    """The clock of one controller; `step_us` is how far it was set off, beside its plan. Instants are true microseconds."""

    def __init__(self, plan: ClockPlan) -> None:
        self._ahead_us = round(plan.ahead_s * US_PER_S)
        self._unset_us = round(plan.unset_s * US_PER_S)
        self._zone = None if plan.timezone == "UTC" else ZoneInfo(plan.timezone)
        self._started_us = 0
        self.step_us = 0

    def start(self, now_us: int) -> None:
        """Begin to run, as the controller does."""
        self._started_us = now_us

    def tells(self, now_us: int) -> str:
        """Return what it reads, as RFC 3339 with an offset."""
        running_us = now_us - self._started_us
        at_us = running_us if running_us < self._unset_us else now_us + self._ahead_us + self.step_us
        return rfc3339(at_us) if self._zone is None else self._local(at_us, self._zone)

    @staticmethod
    def _local(at_us: int, zone: ZoneInfo) -> str:
        second, micros = divmod(at_us, US_PER_S)
        return datetime.fromtimestamp(second, zone).replace(microsecond=micros).isoformat(timespec="microseconds")
