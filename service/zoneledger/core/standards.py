"""Which standard holds for a fastener: the most specific one that is valid at the time it was made."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from zoneledger.core.calendar import midnight_us
from zoneledger.core.plant import Cell, Line, Standard

_Key = tuple[str, str | None, str | None]


class _Declared:
    """The standards of one level by (operation, item, program), each list in order of the instant it begins at."""

    def __init__(self, standards: Iterable[Standard], tz: ZoneInfo) -> None:
        self._begins_us: dict[_Key, list[int]] = {}
        self._standards: dict[_Key, list[Standard]] = {}
        for standard in sorted(standards, key=lambda each: each.since):
            key = (standard.operation, standard.item, standard.program)
            self._begins_us.setdefault(key, []).append(midnight_us(standard.since, tz))
            self._standards.setdefault(key, []).append(standard)

    def latest(self, key: _Key, at_us: int) -> Standard | None:
        begun = bisect_right(self._begins_us.get(key, ()), at_us)
        return self._standards[key][begun - 1] if begun else None

    def all(self) -> list[Standard]:
        return [standard for standards in self._standards.values() for standard in standards]

    def begins_us(self) -> set[int]:
        return {begin_us for begins_us in self._begins_us.values() for begin_us in begins_us}


class Standards:
    """The standards that hold in one cell, its line's included."""

    def __init__(self, cell: Iterable[Standard], line: Iterable[Standard], tz: ZoneInfo) -> None:
        self._levels = (_Declared(cell, tz), _Declared(line, tz))
        self._begins_us = sorted(self._levels[0].begins_us() | self._levels[1].begins_us())

    @classmethod
    def of(cls, line: Line, cell: Cell, tz: ZoneInfo) -> "Standards":
        """Return the standards of `cell` in `line`, their dates read in the site's time zone."""
        return cls(cell.standards, line.standards, tz)

    def find(self, operation: str, item: str | None, program: str | None, at_us: int) -> Standard | None:
        """Return the standard of a fastener made at an instant, None if it is unrated.

        The cell's come before the line's; then item and program together, item, program, neither; of those with the
        same key the latest that has begun. One that has not begun yet hides nothing.
        """
        keys = dict.fromkeys(
            ((operation, item, program), (operation, item, None), (operation, None, program), (operation, None, None))
        )
        for level in self._levels:
            for key in keys:
                if found := level.latest(key, at_us):
                    return found
        return None

    def rate(self, operation: str, item: str | None, program: str | None, at_us: int) -> int | None:
        """Return the ideal time of a fastener made at an instant in microseconds, None if it is unrated."""
        found = self.find(operation, item, program, at_us)
        return found.fastener_us if found else None

    def declared(self) -> list[Standard]:
        """Return all of them, the cell's first, whenever they begin."""
        return [standard for level in self._levels for standard in level.all()]

    def changes_us(self, start_us: int, end_us: int) -> list[int]:
        """Return the instants in [start_us, end_us) at which a standard begins, ascending, each once.

        Between two of them the rate of an operation, item and program does not change.
        """
        return self._begins_us[bisect_left(self._begins_us, start_us) : bisect_left(self._begins_us, end_us)]
