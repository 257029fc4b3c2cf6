"""What a controller's programmer does about each reason why messages are refused."""

from typing import Literal, NamedTuple

from zoneledger.core.decoding import Reason


class Remedy(NamedTuple):
    """Whether the reason is a breach of the contract, and what to do about it."""

    severity: Literal["breach", "advice"]
    text: str


def _breach(text: str) -> Remedy:
    return Remedy("breach", text)


REMEDIES: dict[Reason, Remedy] = {
    "too_large": _breach("send at most 256 KiB in one payload: fewer messages at once"),
    "empty": _breach(
        "send one message in each payload, or an array of them; what clears a retained message is an empty payload too, and "
        "messages are not to be retained"
    ),
    "not_utf8": _breach("write JSON in UTF-8, also the texts of alarms and programs"),
    "not_json": _breach("write one JSON value, whole, and nothing after it"),
    "too_many": _breach("send at most 1,000 messages in one array"),
    "too_deep": _breach("nest at most 8 deep"),
    "not_an_object": _breach("each message is one JSON object, and an array holds objects only"),
    "repeated_field": _breach("write each field once in an object"),
    "bad_text": _breach("leave control characters and halves of surrogate pairs out of texts"),
    "not_finite": _breach("write numbers that are finite; leave a field out where there is no value"),
    "version_unsupported": _breach("send v with the value 1, as an integer"),
    "field_missing": _breach("send every field that the contract needs"),
    "field_invalid": _breach(
        "give the field a value that the contract allows; leave it out where there is none, and never send null"
    ),
    "unknown_cell": _breach("declare the cell in the plant model, or mend the topic"),
    "unknown_zone": _breach("declare the zone in the plant model, or send its name as it is declared there"),
    "ahead_of_clock": _breach("set the controller's clock by the network, in UTC or with the right offset"),
    "contradicts": _breach(
        "give each seq of a boot to one event only: let boot rise at each start, and no two controllers send as one cell"
    ),
    "not_kept": Remedy(
        "advice", "if it was sent before, there is nothing to do; if all are refused so, set boot above the last one"
    ),
    "internal_error": Remedy(
        "advice", "this is a fault of the service, which its log tells: report it, and offer the payload again"
    ),
}
