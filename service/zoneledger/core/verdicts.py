"""Which verdict holds for which fastener."""

from collections.abc import Iterable

from zoneledger.core.rows import Fastener, Verdict

Key = tuple[int, int]


def settle(fasteners: Iterable[Fastener], verdicts: Iterable[Verdict]) -> dict[Key, str | None]:
    """Return, for each fastener by (boot, seq), the result that a verdict gave it, or None.

    A verdict applies to the last fastener made at its panel and position before it; the last verdict holds.
    """
    rows: list[Fastener | Verdict] = [*fasteners, *verdicts]
    latest: dict[tuple[str | None, str | None], Key] = {}
    results: dict[Key, str | None] = {}
    for row in sorted(rows, key=lambda one: (one.boot, one.seq)):
        key, at = (row.boot, row.seq), (row.panel, row.position)
        if isinstance(row, Fastener):
            latest[at], results[key] = key, None
        elif at in latest:
            results[latest[at]] = row.result
    return results
