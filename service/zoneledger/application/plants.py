"""The plant model: the present one as every use case reads it, and its change."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import Lock

from zoneledger.application.ports import Reading, Store
from zoneledger.application.stored import PlantVersion, Revision
from zoneledger.core.plant import Plant
from zoneledger.core.plant_changes import affected

log = logging.getLogger(__name__)

#: The end of time, 9999-12-31T00:00:00Z.
FOREVER_US = 253_402_214_400_000_000

#: Makes a plant of a stored document, which was valid when it was stored.
ReadPlant = Callable[[str], Plant]


@dataclass(frozen=True)
class DeclaredPlant:
    """A plant model and its version, 0 before any was declared.

    `restates` are the lines and cells whose figures of the past its declaration changed, each with from when on, where this
    process declared it.
    """

    version: int
    plant: Plant
    document: str
    applied_us: int
    restates: tuple[tuple[str, int], ...] = ()


def _told(restates: Sequence[tuple[str, int]]) -> str:
    """Return how many lines and cells a plant model restates, and the first of them."""
    if not restates:
        return "nothing of the past"
    return f"the past of {restates[0][0]}" + (f" and {len(restates) - 1} more" if len(restates) > 1 else "")


class Plants:
    """The present plant model, read anew only when another version was declared; for the event loops of several threads."""

    def __init__(self, read_plant: ReadPlant) -> None:
        self._read_plant = read_plant
        self._present = DeclaredPlant(0, read_plant('{"sites": []}'), '{"sites": []}', 0)
        # Its own threads: a document of a thousand cells takes long, and whoever takes messages in waits for no other work.
        self._threads = ThreadPoolExecutor(2, "plant")
        self._begun: dict[int, Future[DeclaredPlant]] = {}
        self._lock = Lock()

    async def present(self, reading: Reading) -> DeclaredPlant:
        """Return the plant model as declared in the store that is read."""
        version, present = await reading.plant_version(), self._present
        if version != present.version and (found := await reading.plant()) is not None:
            return await self._declared(found)
        return present

    async def version(self, reading: Reading, version: int | None) -> DeclaredPlant | None:
        """Return a version of the plant model, the present one unless told, or None where there is none such."""
        present = await self.present(reading)
        if version is None or version == present.version:
            return present
        found = await reading.plant(version)
        return await self._declared(found) if found else None

    async def _declared(self, found: PlantVersion) -> DeclaredPlant:
        """Return a version, read once for all who want it at the same time."""
        with self._lock:
            if found.version == self._present.version:
                return self._present
            if found.version not in self._begun:
                self._begun[found.version] = self._threads.submit(self._make, found)
            begun = self._begun[found.version]
        return await asyncio.shield(asyncio.wrap_future(begun))

    def _make(self, found: PlantVersion) -> DeclaredPlant:
        try:
            made = DeclaredPlant(found.version, self._read_plant(found.document), found.document, found.applied_us)
            self._take(made)
            return made
        finally:
            with self._lock:
                del self._begun[found.version]

    def _take(self, made: DeclaredPlant) -> None:
        """Let a version be the present one, unless a newer one is: a look that began earlier sees an older one."""
        with self._lock:
            if made.version > self._present.version:
                self._present = made

    async def _read(self, document: str) -> Plant:
        return await asyncio.get_running_loop().run_in_executor(self._threads, self._read_plant, document)

    async def declare(self, store: Store, document: str, now_us: int) -> DeclaredPlant:
        """Keep a valid document as the present plant model; the same document again changes nothing."""
        plant = await self._read(document)  # before the transaction, which keeps others from writing
        async with store.writing() as writing:
            await writing.lock_plants()
            before = await self.present(writing)
            if before.version and before.document == document:
                return before
            version = await writing.add_plant(document, now_us)
            changed = affected(before.plant, plant, await writing.cells()) if before.version else []
            cause = f"plant version {version}"
            revisions = [Revision(unit, from_us, FOREVER_US, now_us, cause) for unit, from_us in changed]
            await writing.add_revisions(revisions)
        made = DeclaredPlant(version, plant, document, now_us, tuple(changed))
        self._take(made)
        log.info("plant version %d was declared; it restates %s", version, _told(changed))
        return made
