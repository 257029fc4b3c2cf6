"""A store that fails when it is told to, before what was written is committed."""

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from typing import Any, cast

from zoneledger.application.ports import Reading, Store, Writing
from zoneledger.application.stored import Basis, Stamp

Failure = Callable[[str, Any], Exception | None]
"""Says from a method's name and its first argument whether it fails, and how; `commit` with None is the end."""


class _FailingWriting:
    def __init__(self, writing: Writing, failure: Failure) -> None:
        self._writing = writing
        self._failure = failure

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._writing, name)

        async def call(*arguments: Any) -> Any:
            error = self._failure(name, arguments[0] if arguments else None)
            if error is not None:
                raise error
            return await method(*arguments)

        return call


class FailingStore:
    """Wraps a store; `failure` is asked before each method of each transaction and before its commit."""

    def __init__(self, store: Store, failure: Failure) -> None:
        self._store = store
        self._failure = failure

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        """Begin one consistent look."""
        return self._store.reading()

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction that may fail."""
        async with self._store.writing() as writing:
            yield cast(Writing, _FailingWriting(writing, self._failure))
            error = self._failure("commit", None)
            if error is not None:
                raise error

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same."""
        return await self._store.stamp(basis)

    async def close(self) -> None:
        """Let go of all connections."""
        await self._store.close()


def once(method: str, error: Exception) -> Failure:
    """Return a failure of the first call of a method."""
    errors = [error]
    return lambda name, _: errors.pop() if name == method and errors else None


def whenever(method: str, holds: Callable[[Any], bool], error: Exception) -> Failure:
    """Return a failure of each call of a method whose first argument is such."""
    return lambda name, argument: error if name == method and holds(argument) else None
