"""What /v1/commissioning answers, field by field."""

from typing import Any, Literal

from pydantic import BaseModel, Field

from zoneledger.api.times import Seconds, Time

_NUMBER: Any = Field(description="how many, of at most the last 1,000", examples=[12])


class FindingAnswer(BaseModel):
    """Where the controller breaks the contract, or could do better."""

    code: str = Field(description="for programs; each is explained in the documentation", examples=["snapshots_rare"])
    severity: Literal["breach", "advice"] = Field(description="a breach of the contract, or advice")
    text: str = Field(
        description="what is wrong and what to do",
        examples=["snapshots came up to 41.0 s apart; the contract asks for at least one each 10 s"],
    )
    number: float | None = Field(description="the number that the text tells, null where there is none", examples=[41])
    first: Time | None = Field(description="when it was first seen, where that is known")
    last: Time | None = Field(description="when it was last seen, where that is known")


class TypeSeen(BaseModel):
    """Messages of a type."""

    number: int = Field(description="how many came in the time looked at", examples=[830])
    last: Time | None = Field(description="the time of the last one by the controller's clock; null where none came")


class Pause(BaseModel):
    """The longest time in which no message was taken while the cell's controller ran, as far as the link tells."""

    seconds: Seconds
    start: Time = Field(description="its begin, by the controller's clock")
    end: Time = Field(description="its end, by the controller's clock")


_PAUSE: Any = {"seconds": 9.8, "start": "2026-11-25T06:00:00Z", "end": "2026-11-25T06:00:09.8Z"}


class RateSeen(BaseModel):
    """How often messages came."""

    per_minute: float = Field(description="messages a minute over the time looked at", examples=[19.5])
    longest_silence: Pause | None = Field(
        description="the longest time in which no message was taken; null where there is none", examples=[_PAUSE]
    )
    longest_between_snapshots: Pause | None = Field(
        description="the longest time in which no snapshot was taken; null where there is none", examples=[_PAUSE]
    )


class RefusedShown(BaseModel):
    """A refused message."""

    id: int = Field(description="its number in /v1/refused", examples=[17])
    arrived: Time = Field(description="when it arrived")
    reason: str = Field(description="why, for programs", examples=["field_missing"])
    detail: str = Field(description="why, in a sentence", examples=["phase is missing"])
    text: str = Field(
        description="the first 2,000 bytes of what came; what is no UTF-8 is replaced", examples=['{"v": 1}']
    )


class RefusedSeen(BaseModel):
    """What was refused of what was sent as this cell and is refused still."""

    number: int = _NUMBER
    by_reason: dict[str, int] = Field(description="the same by reason", examples=[{"field_missing": 12}])
    last: list[RefusedShown]


class GapShown(BaseModel):
    """Events that are missing."""

    boot: int = Field(description="the controller's start in which they are missing", examples=[1764050400])
    first_seq: int = Field(description="number of the first one missing", examples=[4180])
    last_seq: int = Field(description="number of the last one missing", examples=[4183])
    until: Time = Field(description="booked time of the message that showed that they are missing")


class GapsSeen(BaseModel):
    """Gaps that are open now, whenever they came about."""

    number: int = _NUMBER
    events: int = Field(description="how many events are missing in these", examples=[4])
    last: list[GapShown]


class DiscrepancyShown(BaseModel):
    """Where the controller contradicted itself."""

    boot: int = Field(description="the controller's start", examples=[1764050400])
    seq: int = Field(description="number of the event, or of the one before a snapshot", examples=[4180])
    at: Time = Field(description="booked time")
    zone: str | None = Field(description="the zone, null where it is not of one", examples=["1"])
    detail: str = Field(description="what does not fit", examples=["load ended while process was present"])


class DiscrepanciesSeen(BaseModel):
    """Contradictions of a kind in the time looked at."""

    number: int = _NUMBER
    last: list[DiscrepancyShown]


class AlarmShown(BaseModel):
    """An alarm that is active now."""

    zone: str | None = Field(description="its zone, null where the whole cell is meant", examples=["1"])
    code: str = Field(description="its code", examples=["clamp-force"])
    severity: str = Field(description="stop or notice", examples=["stop"])
    raised: Time | None = Field(description="when it was raised, where that is known")


class LinkSeen(BaseModel):
    """What the link topic told."""

    state: str | None = Field(description="up or down; null where it never told anything", examples=["up"])
    since: Time | None = Field(description="when its last message arrived")
    went_down: Time | None = Field(description="when it last told that the link is down")


class SinceEver(BaseModel):
    """What is counted since the cell was first heard of, and not by time."""

    events: int = Field(description="events stored", examples=[51200])
    snapshots: int = Field(description="snapshots stored", examples=[2880])
    duplicate: int = Field(description="messages that were known already", examples=[12])
    refused: int = Field(description="messages refused, taken since or not", examples=[0])
    unknown_fields: dict[str, int] = Field(
        description="fields that the contract does not have, by name: at most 50", examples=[{"shade": 3}]
    )


class CommissioningAnswer(BaseModel):
    """What the service makes of a cell's messages."""

    cell: str = Field(description="the cell's path", examples=["harbour/wing-1/cell-1"])
    start: Time = Field(description="begin of the time looked at, by the service's clock")
    end: Time = Field(description="its end: now")
    kept: bool | None = Field(
        description="whether the contract was kept: false where there is a breach among the findings; null where there is none "
        "among what was read, and not all was read, of what was taken or of what was refused (`not_all_read`)",
        examples=[True],
    )
    findings: list[FindingAnswer]
    events: dict[str, TypeSeen] = Field(
        description="events by type, the contract's types and at most 50 others",
        examples=[{"fastener": {"number": 830, "last": "2026-11-25T06:00:00Z"}}],
    )
    snapshots: TypeSeen
    link: LinkSeen
    rate: RateSeen
    refused: RefusedSeen
    gaps: GapsSeen
    discrepancies: dict[str, DiscrepanciesSeen] = Field(
        description="contradictions by kind", examples=[{"not_present": {"number": 0, "last": []}}]
    )
    clock_offset_s: Seconds | None = Field(
        description="how far the controller's clock is ahead now, as in /v1/units: by messages that were taken, and once none has "
        "been taken for 10 to 20 minutes by those that were refused as they lie ahead; null where no message came in the time "
        "looked at that could tell it",
        examples=[-0.012],
    )
    fasteners: int = Field(description="fasteners made in the time looked at", examples=[715])
    unrated: int = Field(description="those of them without a standard", examples=[0])
    unseen: dict[str, int] = Field(
        description="by zone, how many fasteners more its snapshots count than events told", examples=[{"1": 2}]
    )
    zones_never_told: list[str] = Field(
        description="zones of the plant model that no message ever named", examples=[["2"]]
    )
    alarms: list[AlarmShown]
    since_ever: SinceEver
