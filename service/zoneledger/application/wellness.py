"""Whether what the service rests on is well; where it is not: why, since when, and what to do."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass

from zoneledger.core.errors import StoreUnavailable

MEND_DATABASE = "start the database, or mend the way to it or its disk: the service then goes on by itself"


@dataclass(frozen=True, slots=True)
class Ailment:
    """Why something is not well, and what to do."""

    why: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Ailing:
    """What is not well, by its name, and since when as far as anybody has asked."""

    name: str
    ailment: Ailment
    since_us: int


Check = Callable[[], Awaitable[Ailment | None]]
"""Tells what is not well of something that the service rests on, None where it is; may raise StoreUnavailable."""


class Wellness:
    """Asks the checks, and remembers since when one is not well; checks may be added while it lives."""

    def __init__(self, checks: Mapping[str, Check], now_us: Callable[[], int]) -> None:
        self._checks = checks
        self._now_us = now_us
        self._since_us: dict[str, int] = {}

    async def ailing(self, longest_s: float) -> list[Ailing]:
        """Return what is not well; a check that takes longer has failed."""
        names, checks = list(self._checks), list(self._checks.values())
        found = await asyncio.gather(*(_ask(check, longest_s) for check in checks))
        now_us, ailing = self._now_us(), []
        for name, ailment in zip(names, found, strict=True):
            if ailment is None:
                self._since_us.pop(name, None)
            else:
                ailing.append(Ailing(name, ailment, self._since_us.setdefault(name, now_us)))
        return ailing


async def _ask(check: Check, longest_s: float) -> Ailment | None:
    try:
        async with asyncio.timeout(longest_s):
            return await check()
    except StoreUnavailable as error:
        return Ailment(str(error), MEND_DATABASE)
    except TimeoutError:
        return Ailment(
            f"there was no answer within {longest_s:g} s", "look at the load of the machine and of the database"
        )
