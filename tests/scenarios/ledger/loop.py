"""Runs the examples of a property on a real database, a few of them unless more are asked for."""

import asyncio
import os
from collections.abc import Awaitable
from typing import TypeVar

from hypothesis import HealthCheck, settings

from tests.scenarios.ledger.bench import Bench, bench_on

T = TypeVar("T")

#: Few examples, as each runs a database; ZONELEDGER_EXAMPLES asks for more.
few = settings(
    max_examples=int(os.environ.get("ZONELEDGER_EXAMPLES", "12")),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


class Loop:
    """Runs a test's examples on one bench in one event loop: Hypothesis calls plain functions."""

    def __init__(self, database_url: str) -> None:
        self._runner = asyncio.Runner()
        self._context = bench_on(database_url)
        self.bench: Bench = self._runner.run(self._context.__aenter__())

    def run(self, work: Awaitable[T]) -> T:
        async def wrapped() -> T:
            return await work

        return self._runner.run(wrapped())

    def close(self) -> None:
        self._runner.run(self._context.__aexit__(None, None, None))
        self._runner.close()
