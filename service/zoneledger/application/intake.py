"""What a source of messages hands in, and what it is told once it is stored."""

from collections.abc import Awaitable, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from zoneledger.core.decoding import Element, Refusal


@dataclass(slots=True)
class Delivery:
    """One payload for one cell as it came in: `cell` is the path `site/line/cell`, `origin` the MQTT topic or `http`.

    `size` is how many bytes came, where `payload` is only the first of them: of one that is too large to be taken. `apart` is what
    `take_apart` gave, from when it was taken apart ahead until it is recorded.
    """

    cell: str
    payload: bytes
    origin: str
    kind: Literal["events", "link"] = "events"
    size: int = 0
    apart: Sequence[Element] | Refusal | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        self.size = max(self.size, len(self.payload))


@dataclass(frozen=True, slots=True)
class RefusedMessage:
    """The place of a refused message in its payload (0 for a payload that is not an array), the reason's code and a sentence."""

    index: int
    reason: str
    detail: str


@dataclass(slots=True)
class Receipt:
    """What became of the messages of one delivery, told after the commit."""

    stored: int = 0
    duplicate: int = 0
    refused: list[RefusedMessage] = field(default_factory=list)


class Intake(Protocol):
    """Takes deliveries in; what it has answered is committed."""

    def record(self, delivery: Delivery) -> Awaitable[Receipt]:
        """Store one delivery and bring the ledger up; what it returns ends after the commit.

        Never raises for what the payload holds. Raises StoreUnavailable when the database does not answer: nothing of
        the delivery was kept then, and the same delivery may be handed in again. Many calls may wait at once: they
        are committed in groups, in the order of the calls.
        """
        ...
