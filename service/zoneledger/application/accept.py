"""Takes deliveries apart: each message is accepted for its cell, or refused with a reason."""

from collections.abc import Callable
from dataclasses import dataclass, field

from msgspec import Struct

from zoneledger.application.intake import Delivery, Receipt, RefusedMessage
from zoneledger.application.stored import Outdated, RefusedRow, Revision
from zoneledger.core.decoding import (
    MAX_PAYLOAD_BYTES,
    Element,
    Refusal,
    check_element,
    check_size,
    read_element,
    split_payload,
)
from zoneledger.core.messages import FastenerMade, Message, zones_named
from zoneledger.core.quick import split_plain
from zoneledger.core.validation import read_checked, unknown_fields

#: The zones of a cell by its path, or None for a cell that the plant model does not name.
ZonesOf = Callable[[str], frozenset[str] | None]

#: How far a message's time may lie ahead of the service's clock.
AHEAD_US = 5_000_000

#: How much of a refused message's cell, origin and reason is kept, in characters: no path of a plant is as long.
MAX_SHOWN = 500


class Accepted(Struct, gc=False):
    """A message that keeps the contract and comes from a cell and zone of the plant; `receipt` is its delivery's."""

    message: Message
    element: Element
    index: int
    delivery: Delivery
    receipt: Receipt


def _storable(text: str) -> str:
    """Return a text of any origin as every database takes it: bounded, valid Unicode, without NUL."""
    return text[:MAX_SHOWN].encode("utf-8", "replace").decode().replace("\0", "?")


def _keep_latest(latest_us: dict[str, int], cell: str, at_us: int) -> None:
    latest_us[cell] = max(at_us, latest_us.get(cell, at_us))


@dataclass(slots=True)
class Sorted:
    """A group of deliveries taken apart: accepted messages by cell, refused ones with their delivery, and counts to add by cell.

    `latest_us` is each cell's largest `at` of what was accepted, `ahead_us` of what was refused as it lies ahead of the service's
    clock. `outdated` and `revisions` are settled time that a link changed.
    """

    arrived_us: int
    accepted: dict[str, list[Accepted]] = field(default_factory=dict)
    refused: list[tuple[Delivery, RefusedRow]] = field(default_factory=list)
    unknown_fields: dict[str, dict[str, int]] = field(default_factory=dict)
    latest_us: dict[str, int] = field(default_factory=dict)
    ahead_us: dict[str, int] = field(default_factory=dict)
    outdated: list[Outdated] = field(default_factory=list)
    revisions: list[Revision] = field(default_factory=list)

    def refuse(self, delivery: Delivery, receipt: Receipt, index: int, refusal: Refusal, text: str | None) -> None:
        """Keep a message that is refused, or the whole payload where `text` is None."""
        body = delivery.payload if text is None else text.encode("utf-8", "surrogateescape")
        reason, detail = refusal.reason, refusal.detail
        receipt.refused.append(RefusedMessage(index, reason, detail))
        size = delivery.size if text is None else len(body)
        kept = body[:MAX_PAYLOAD_BYTES]
        cell, origin = _storable(delivery.cell), _storable(delivery.origin)
        row = RefusedRow(cell, origin, self.arrived_us, index, reason, _storable(detail), kept, size)
        self.refused.append((delivery, row))

    def accept(self, cell: str, accepted: list[Accepted], ahead_us: list[int]) -> None:
        """Add accepted messages of a cell, and the times of those that were refused as they lie ahead of the service's clock."""
        if accepted:
            self.accepted.setdefault(cell, []).extend(accepted)
            _keep_latest(self.latest_us, cell, max(one.message.at_us for one in accepted))
        if ahead_us:
            _keep_latest(self.ahead_us, cell, max(ahead_us))

    def count_unknown_fields(self, accepted: Accepted) -> None:
        """Count the fields of a message that the contract does not have."""
        if accepted.element.value is None:
            return
        for name in unknown_fields(accepted.element.value):
            counts = self.unknown_fields.setdefault(accepted.delivery.cell, {})
            counts[name] = counts.get(name, 0) + 1


def _check_plant(message: Message, delivery: Delivery, zones: frozenset[str] | None) -> None:
    if zones is None:
        raise Refusal("unknown_cell", f"the plant model names no cell {delivery.cell[:200]}")
    for zone in zones_named(message):
        if zone not in zones:
            raise Refusal("unknown_zone", f"the plant model names no zone {zone} in {delivery.cell}")


def _check_clock(message: Message, now_us: int) -> None:
    if message.at_us > now_us + AHEAD_US:
        ahead_s = (message.at_us - now_us) / 1e6
        raise Refusal("ahead_of_clock", f"at lies {ahead_s:,.1f} s ahead of the service's clock; at most 5 s are taken")


def _split(payload: bytes) -> list[Element]:
    elements = split_plain(payload)
    return split_payload(payload) if elements is None else elements


def _read(element: Element) -> Element:
    try:
        check_element(element)
        return Element(element.text, element.value, read_checked(element.value))
    except Refusal as refusal:
        return Element(element.text, refusal)


def take_apart(delivery: Delivery, place: int | None = None) -> list[Element] | Refusal:
    """Return a payload's messages, each as it was read or with the Refusal why it was not; or why all of it is refused.

    It depends on the payload alone. With `place` that is one message that stood there in a larger one.
    """
    try:
        check_size(delivery.size)
        elements = _split(delivery.payload) if place is None else [read_element(delivery.payload)]
    except Refusal as refusal:
        return refusal
    return [one if one.message is not None else _read(one) for one in elements]


def sort_delivery(
    group: Sorted,
    delivery: Delivery,
    receipt: Receipt,
    zones_of: ZonesOf,
    place: int | None = None,
    came_us: int | None = None,
) -> None:
    """Add a delivery's messages to a group; never raises for what the payload holds. `place`: see `take_apart`.

    `came_us` is when one that is offered again came first: its time was ahead of the clock then or never.
    """
    first = place or 0
    elements = take_apart(delivery, place) if delivery.apart is None else delivery.apart
    if isinstance(elements, Refusal):
        group.refuse(delivery, receipt, first, elements, None)
        return
    zones, ahead_us, accepted = zones_of(delivery.cell), list[int](), list[Accepted]()
    now_us = group.arrived_us if came_us is None else came_us
    for index, element in enumerate(elements, start=first):
        message = element.message
        if type(message) is FastenerMade and zones and message.zone in zones and message.at_us <= now_us:
            accepted.append(Accepted(message, element, index, delivery, receipt))  # as nearly all are
            continue
        try:
            if message is None:
                raise element.value
            _check_plant(message, delivery, zones)
            _check_clock(message, now_us)
        except Refusal as refusal:
            if message is not None and refusal.reason == "ahead_of_clock":
                ahead_us.append(message.at_us)
            group.refuse(delivery, receipt, index, refusal, element.text)
            continue
        accepted.append(Accepted(message, element, index, delivery, receipt))
    group.accept(delivery.cell, accepted, ahead_us)
