"""The present state of every unit that has one of its own: zones and cells."""

from dataclasses import dataclass

from zoneledger.application.book import load
from zoneledger.application.ports import Reading
from zoneledger.application.stored import Head
from zoneledger.core.booking import Limits
from zoneledger.core.plant import Plant
from zoneledger.core.spans import Span
from zoneledger.core.states import UNKNOWN


@dataclass(frozen=True, slots=True)
class Present:
    """A unit's state and reason now, and since when (None: it was never known)."""

    state: str
    reason: str | None
    since_us: int | None


NEVER_KNOWN = Present(UNKNOWN, None, None)


@dataclass(frozen=True, slots=True)
class PresentCell:
    """A cell's head (None: it never sent anything), its last booked time, and the present of itself ('') and its zones."""

    head: Head | None
    booked_us: int | None
    present: dict[str, Present]


def _present(spans: list[tuple[str, Span]]) -> dict[str, Present]:
    """Return each zone's last span as its present; spans of one zone are in order."""
    return {zone: Present(span.state, span.reason, span.start_us) for zone, span in spans}


def present_cell(head: Head | None, now_us: int, limits: Limits) -> PresentCell:
    """Return a cell's present state from its head."""
    if head is None or not head.booking:
        return PresentCell(head, None, {})
    booking = load(head.booking, limits)
    spans = [(one.zone, one.span) for one in booking.open_spans(head.link_down_us, now_us + 1)]
    return PresentCell(head, booking.booked_us, _present(spans))


async def read_present(reading: Reading, plant: Plant, now_us: int, limits: Limits) -> dict[str, PresentCell]:
    """Return the present of every cell of the plant, by path."""
    cells = [unit.path for unit in plant if unit.level == "cell"]
    heads = await reading.heads(cells)
    return {cell: present_cell(heads.get(cell), now_us, limits) for cell in cells}
