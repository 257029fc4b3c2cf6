"""What is answered of a planned stop, wherever it is told."""

from pydantic import BaseModel, Field

from zoneledger.api.times import Time, rfc3339


class StopAnswer(BaseModel):
    """A planned stop."""

    stop: str = Field(description="its name", examples=["meal"])
    start: Time = Field(description="its start, included")
    end: Time = Field(description="its end, not included")


def stop_told(name: str, start_us: int, end_us: int) -> StopAnswer:
    """Return what the API answers of a planned stop."""
    return StopAnswer(stop=name, start=rfc3339(start_us), end=rfc3339(end_us))
