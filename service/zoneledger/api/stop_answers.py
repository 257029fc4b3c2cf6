"""What is answered of a planned stop, wherever it is told."""

from pydantic import BaseModel, Field

from zoneledger.api.times import Time


class StopAnswer(BaseModel):
    """A planned stop."""

    stop: str = Field(description="its name", examples=["meal"])
    start: Time = Field(description="its start, included")
    end: Time = Field(description="its end, not included")
