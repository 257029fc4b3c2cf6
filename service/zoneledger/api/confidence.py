"""The confidence of bounds, as a query or a body asks for it."""

from typing import Annotated

from pydantic import Field

from zoneledger.api.access import WindowParameters

#: A confidence, wherever one is asked for.
Confidence = Annotated[
    float,
    Field(
        ge=0.5,
        le=0.9999,
        allow_inf_nan=False,
        description="How often each bound holds, by itself: 0.5 to 0.9999, both included",
        examples=[0.95],
    ),
]


class BoundedParameters(WindowParameters):
    """A window, and the confidence of the bounds."""

    confidence: Confidence = 0.9
