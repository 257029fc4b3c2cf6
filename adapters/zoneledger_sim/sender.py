"""What the simulator needs of a way to a listener."""

from typing import Protocol


class Sender(Protocol):
    """One way on which cells send, over a broker or over HTTP."""

    async def send(self, cell: str, payload: bytes) -> None:
        """Return once the payload, one message or an array of them in JSON, was acknowledged.

        `cell` is a unit path. Raises OSError (ConnectionError, TimeoutError) where the listener could not be reached
        or did not acknowledge; the same payload is then sent again. Any other exception ends the simulation.
        """
        ...
