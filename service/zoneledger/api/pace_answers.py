"""What is answered of a zone's pace, wherever it is told."""

from pydantic import BaseModel, Field

from zoneledger.application.pace import ZonePace


class ZonePaceAnswer(BaseModel):
    """What one zone made in each piece that has begun, in planned time or not."""

    unit: str = Field(description="the zone's path", examples=["harbour/wing-1/cell-1/1"])
    made: list[int] = Field(description="fasteners made, one number for each piece", examples=[[21, 24, 0]])
    good: list[int] = Field(description="the good ones of them, after verdicts", examples=[[21, 23, 0]])


def zone_pace_told(zone: ZonePace) -> ZonePaceAnswer:
    """Return what the API answers of a zone's pace."""
    return ZonePaceAnswer(unit=zone.unit, made=zone.made, good=zone.good)
