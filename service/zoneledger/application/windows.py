"""Which windows a request means: a span of time, a shift, a day, or a series of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

from zoneledger.core.calendar import DATE, DAY_US, PeriodKind, day_window, is_no_date, local_time, periods
from zoneledger.core.errors import ShiftUnknown, WindowInvalid
from zoneledger.core.plant import Line, Unit
from zoneledger.core.shifts import ShiftInstance, find_instance, instances
from zoneledger.wording import counted

MAX_WINDOW_US = 400 * DAY_US
#: What is told or kept one by one (spans, passes, questions, given reasons, acceptance runs) is of at most so many days.
MAX_DAYS = 31
MAX_POINTS = 2000
#: How much of the ledger is read at once, as cells times days: what is summed beforehand is not read.
MAX_CELL_DAYS = 1600
#: How far back `before` looks for a shift, and how far from now `now` and `last` do.
MAX_SHIFT_GAP_US = MAX_DAYS * DAY_US
#: What `shift` takes beside a shift's id: the one that lasts now, and the one that ended last.
NOW, LAST = "now", "last"


@dataclass(frozen=True, slots=True)
class Window:
    """[start_us, end_us); `shift` is its id where it is a shift, `label` what a series calls it."""

    start_us: int
    end_us: int
    shift: str | None = None
    label: str | None = None

    def until_us(self, now_us: int) -> int:
        """Return where reading ends: the window's end, or the present if that is earlier."""
        return max(self.start_us, min(self.end_us, now_us))

    def stage(self, now_us: int, silence_us: int) -> str:
        """Return how the window lies to the present: not_begun, not_over, not_settled (just over) or settled."""
        if now_us <= self.start_us:
            return "not_begun"
        if now_us < self.end_us:
            return "not_over"
        return "not_settled" if now_us < self.end_us + silence_us else "settled"


@dataclass(frozen=True, slots=True)
class Asked:
    """A window as a request names it: `start_us` and `end_us`, or `shift`, or `day`."""

    start_us: int | None = None
    end_us: int | None = None
    shift: str | None = None
    day: date | None = None

    @property
    def moves(self) -> bool:
        """Whether it means another window as time goes on."""
        return self.shift in (NOW, LAST)


def window_of(unit: Unit, asked: Asked, now_us: int) -> Window:
    """Return the window that a request means for a unit; raise WindowInvalid or ShiftUnknown, saying what would be right."""
    given = [asked.start_us is not None or asked.end_us is not None, asked.shift is not None, asked.day is not None]
    if sum(given) != 1:
        raise WindowInvalid(
            "A window is either start and end, or shift (such as 2026-11-25/early), or day (2026-11-25)."
        )
    if asked.shift is not None:
        return _shift_window(unit, asked.shift, now_us)
    if asked.day is not None:
        return Window(*day_window(unit.tz, asked.day), label=asked.day.isoformat())
    if asked.start_us is None or asked.end_us is None:
        raise WindowInvalid("A window needs both start and end, each RFC 3339 with an offset.")
    if asked.end_us <= asked.start_us:
        raise WindowInvalid("A window's end should lie after its start.")
    if asked.end_us - asked.start_us > MAX_WINDOW_US:
        raise WindowInvalid("A window is at most 400 days long; ask for several.")
    return Window(asked.start_us, asked.end_us)


def _shift_window(unit: Unit, shift: str, now_us: int) -> Window:
    if unit.line is None:
        raise WindowInvalid(f"{unit.path} is a site, and shifts belong to lines: ask for a line, a cell or a zone.")
    if not unit.line.shifts:
        raise ShiftUnknown(f"{unit.line_path} has no shifts: ask for a day, or for start and end.")
    if shift in (NOW, LAST):
        return _moving_window(unit, shift, now_us)
    found = find_instance(unit.line, unit.tz, shift)
    if found is None:
        names = ", ".join(pattern.name for pattern in unit.line.shifts)
        raise ShiftUnknown(f"{_why_none(unit.line_path or unit.path, unit.line, shift)}; its shifts: {names}.")
    return _of_shift(found)


def _why_none(path: str, line: Line, shift: str) -> str:
    """Return why a line has no such shift."""
    day, _, name = shift.partition("/")
    if not (DATE.fullmatch(day) and name):
        return (
            f"{shift!r} names no shift of {path}: give the local date at its start and its name, such as 2026-11-25/early, "
            "or now, or last"
        )
    if is_no_date(day):
        return f"There is no date {day}, and so no shift of {path} on it"
    begins = [pattern.since for pattern in line.shifts if pattern.name == name]
    if not begins:
        return f"{path} has no shift {name!r}"
    if date.fromisoformat(day) < min(begins):
        return f"{path} has its shift {name!r} since {min(begins)}, and none on {day}"
    return f"{path} has no shift {name!r} on {day}, a {date.fromisoformat(day):%A}"


class ShiftsAround(NamedTuple):
    """A line's shifts around an instant, as far as they lie within 31 days of it; None where there is no such one.

    Of several that last, `lasting` is the one that began last. `begun` is the one that began last, whether it lasts or not.
    """

    lasting: Window | None
    begun: Window | None
    ended: Window | None
    coming: Window | None


def shifts_around(unit: Unit, now_us: int) -> ShiftsAround:
    """Return the shifts of a unit's line that lie around an instant; none of a site."""
    if unit.line is None:
        return ShiftsAround(None, None, None, None)
    near = instances(unit.line, unit.tz, now_us - MAX_SHIFT_GAP_US, now_us + MAX_SHIFT_GAP_US)
    begun = [one for one in near if one.start_us <= now_us]
    ended = sorted((one for one in begun if one.end_us <= now_us), key=lambda one: one.end_us)
    return ShiftsAround(
        lasting=_last([one for one in begun if one.end_us > now_us]),
        begun=_last(begun),
        ended=_last(ended),
        coming=next((_of_shift(one) for one in near if one.start_us > now_us), None),
    )


def _last(shifts: Sequence[ShiftInstance]) -> Window | None:
    return _of_shift(shifts[-1]) if shifts else None


def _moving_window(unit: Unit, shift: str, now_us: int) -> Window:
    """Return the shift that lasts now, or the one that ended last."""
    around = shifts_around(unit, now_us)
    found = around.ended if shift == LAST else around.lasting
    if found is not None:
        return found
    what = "has no last shift" if shift == LAST else "is in no shift"
    raise ShiftUnknown(f"{unit.line_path} {what} now, {_around_told(unit, now_us, around)}")


def _around_told(unit: Unit, now_us: int, around: ShiftsAround) -> str:
    """Return what time it is, which shift ended last, which one lasts, if any, and which begins next, by the site's clock."""

    def told(at_us: int) -> str:
        return f"{local_time(at_us, unit.tz):%Y-%m-%d %H:%M}"

    ended, lasting, coming = around.ended, around.lasting, around.coming
    before, after = "none ended in the 31 days before", "none begins in the 31 days to come"
    words = [
        f"the last one, {ended.shift}, ended at {told(ended.end_us)}" if ended else before,
        *([f"{lasting.shift} lasts now"] if lasting else []),
        f"the next one, {coming.shift}, begins at {told(coming.start_us)}" if coming else after,
    ]
    return f"at {told(now_us)} ({unit.site.timezone}): {'; '.join(words)}."


def other_window(unit: Unit, window: Window, against: Asked | None, now_us: int) -> Window:
    """Return the window that another one is compared with: as asked, or (None) the shift or day before it, or as much time.

    Raises WindowInvalid or ShiftUnknown, saying what would be right.
    """
    if against is not None:
        return window_of(unit, against, now_us)
    return window_before(unit, window)


def window_before(unit: Unit, window: Window) -> Window:
    """Return the shift, the day or as much time before a window; raise ShiftUnknown where no shift lies in the 31 days before it."""
    if window.shift is not None and unit.line is not None:
        earlier = instances(unit.line, unit.tz, window.start_us - MAX_SHIFT_GAP_US, window.start_us)
        begun = [one for one in earlier if one.start_us < window.start_us]
        if not begun:
            raise ShiftUnknown(f"{unit.line_path} has no shift in the 31 days before {window.shift}.")
        return _of_shift(begun[-1])
    if window.label is not None:
        day = local_time(window.start_us, unit.tz).date() - timedelta(days=1)
        return Window(*day_window(unit.tz, day), label=day.isoformat())
    return Window(2 * window.start_us - window.end_us, window.start_us)


def window_after(unit: Unit, window: Window) -> Window | None:
    """Return the shift, the day or as much time after a window; None where no shift follows within 31 days."""
    if window.shift is not None and unit.line is not None:
        later = instances(unit.line, unit.tz, window.end_us, window.end_us + MAX_SHIFT_GAP_US)
        return next((_of_shift(one) for one in later if one.start_us > window.start_us), None)
    if window.label is not None:
        day = local_time(window.start_us, unit.tz).date() + timedelta(days=1)
        return Window(*day_window(unit.tz, day), label=day.isoformat())
    return Window(window.end_us, 2 * window.end_us - window.start_us)


def present_window(unit: Unit, now_us: int) -> Window:
    """Return the shift of a unit's line that began last, or today where the line has none, or none in the last 31 days."""
    begun = shifts_around(unit, now_us).begun
    if begun is not None:
        return begun
    day = local_time(now_us, unit.tz).date()
    return Window(*day_window(unit.tz, day), label=day.isoformat())


def _of_shift(shift: ShiftInstance) -> Window:
    return Window(shift.start_us, shift.end_us, shift.id, shift.id)


def longest_us(unit: Unit) -> int:
    """Return how long a window of a unit may be whose ledger is read at once."""
    return MAX_CELL_DAYS * DAY_US // max(1, len(unit.cells))


def bound(unit: Unit, start_us: int, end_us: int) -> None:
    """Raise WindowInvalid where too much of the ledger would have to be read of a unit at once."""
    if end_us - start_us > longest_us(unit):
        raise WindowInvalid(
            f"The ledger of {counted(len(unit.cells), 'cell', 'cells')} "
            f"is read of at most {longest_us(unit) / DAY_US:.1f} days at once. "
            "Ask for a shorter window, or a unit below."
        )


def series_of(unit: Unit, window: Window, by: str) -> list[Window]:
    """Return the windows that a window is split into: calendar periods clipped to it, or the shifts that begin in it, whole."""
    if by == "shift":
        if unit.line is None:
            raise WindowInvalid(f"{unit.path} is a site, and shifts belong to lines: ask for a line, a cell or a zone.")
        found = instances(unit.line, unit.tz, window.start_us, window.end_us)
        begun = [one for one in found if window.start_us <= one.start_us < window.end_us]
        parts = [_of_shift(one) for one in begun]
    else:
        kind: PeriodKind = by  # type: ignore[assignment]
        split = periods(kind, unit.tz, window.start_us, window.end_us)
        parts = [Window(start_us, end_us, None, label) for label, start_us, end_us in split]
    if len(parts) > MAX_POINTS:
        said = f"By {by} this window has {len(parts)} points; at most {MAX_POINTS} are given at once"
        raise WindowInvalid(f"{said}: ask for a shorter one, or by a longer time.")
    return parts
