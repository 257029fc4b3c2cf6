"""A store on which something happens after each transaction."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager

from zoneledger.application.ports import Reading, Store, Writing
from zoneledger.application.stored import Basis, Stamp


class Between:
    """Wraps a store; `happens` is awaited after each of its transactions."""

    def __init__(self, store: Store, happens: Callable[[], Awaitable[None]]) -> None:
        self._store = store
        self._happens = happens

    def reading(self) -> AbstractAsyncContextManager[Reading]:
        """Begin one consistent look."""
        return self._store.reading()

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[Writing]:
        """Begin a transaction."""
        async with self._store.writing() as writing:
            yield writing
        await self._happens()

    async def stamp(self, basis: Basis) -> Stamp:
        """Return what tells whether a basis is still the same."""
        return await self._store.stamp(basis)

    async def close(self) -> None:
        """Let go of all connections."""
        await self._store.close()
