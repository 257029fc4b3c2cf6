"""Notes whether a cell's controller is connected, as its link topic tells."""

from typing import Any

from zoneledger.application.accept import Sorted
from zoneledger.application.intake import Delivery, Receipt
from zoneledger.application.plants import FOREVER_US
from zoneledger.application.restating import differing, restatements
from zoneledger.application.stored import Head, Outdated
from zoneledger.core.booking import Booking
from zoneledger.core.decoding import Refusal, check_size, check_values, decode_text, decode_value


def read_link(payload: bytes) -> str:
    """Return `up` or `down` from a link payload; raise Refusal."""
    value: Any = decode_value(decode_text(payload))
    check_values(value)
    if not isinstance(value, dict) or type(value.get("v")) is not int or value["v"] != 1:
        raise Refusal("version_unsupported", "a link message should be an object with v 1")
    if value.get("link") not in ("up", "down"):
        raise Refusal("field_invalid", "link should be up or down")
    return str(value["link"])


def note_link(group: Sorted, head: Head | None, booking: Booking, delivery: Delivery, receipt: Receipt) -> None:
    """Keep a link's state in its cell's head, or refuse it; an empty payload is a retained message taken back, and nothing."""
    if not delivery.payload:
        return
    try:
        check_size(delivery.size)
        link = read_link(delivery.payload)
        if head is None:
            raise Refusal("unknown_cell", f"the plant model names no cell {delivery.cell[:200]}")
    except Refusal as refusal:
        group.refuse(delivery, receipt, 0, refusal, None)
        return
    if link == "down" and not _was_down(head, booking.booked_us):
        if head.link_down_us is not None and head.link_down_us >= booking.booked_us:
            _end_later(group, head, head.link_down_us, booking)
        head.link_down_us = group.arrived_us
    head.link, head.link_us = link, group.arrived_us
    receipt.stored += 1


def _end_later(group: Sorted, head: Head, down_us: int, booking: Booking) -> None:
    """Restate what was told since evidence ended with a link that was down: it came up again, and evidence ends later now."""
    now_us = group.arrived_us
    group.outdated.append(Outdated(head.cell, down_us, FOREVER_US))
    times = differing(*(booking.open_spans(end_us, now_us) for end_us in (down_us, now_us)))
    told_us = now_us - booking.limits.silence_us
    group.revisions += restatements(head.cell, times, told_us, now_us, "link up and down again")


def _was_down(head: Head, booked_us: int) -> bool:
    """Whether the link was down already and nothing came since: a retained message arrives again at each subscription."""
    return head.link == "down" and head.link_down_us is not None and head.link_down_us >= booked_us
