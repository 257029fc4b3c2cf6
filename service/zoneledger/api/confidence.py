"""The confidence of bounds, as a query asks for it."""

from typing import Annotated

from pydantic import Field

from zoneledger.api.access import WindowParameters

Confidence = Annotated[
    float,
    Field(
        gt=0.5,
        lt=0.9999,
        allow_inf_nan=False,
        description="How often bounds hold: above 0.5 and below 0.9999",
        examples=[0.95],
    ),
]


class BoundedParameters(WindowParameters):
    """A window, and the confidence of the bounds."""

    confidence: Confidence = 0.9
