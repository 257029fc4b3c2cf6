"""Where ports meet what implements them."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from zoneledger.application.lateness import Lateness
from zoneledger.application.live import Live
from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store
from zoneledger.application.recorder import Recorder
from zoneledger.application.retry import Retries
from zoneledger.application.units import Moments
from zoneledger.clock import now_us
from zoneledger.core.booking import Limits
from zoneledger.core.errors import StoreUnavailable
from zoneledger.plant_document import read_json, to_plant
from zoneledger.storage.engines import open_engines
from zoneledger.storage.present_schema import is_current
from zoneledger.storage.store import ONLY_READS, SqlStore

#: How many answers are made aside at once; each takes one connection.
ASIDE_AT_ONCE = 4

Check = Callable[[], Awaitable[bool]]
"""Tells whether something that the service rests on is well; may raise StoreUnavailable."""


@dataclass(frozen=True)
class Service:
    """All that an entry point needs; `recorder.run()` has to run while deliveries are handed in.

    `checks` say, by name, whether what it rests on is well, and `gauges` what is measured; adapters add theirs. `listens` tells
    whether this process takes in what the broker brings, and not another one; None where there is no broker. A service that
    `reads_only` changes nothing.
    `aside` is the same store for another event loop, and only reads.
    """

    store: Store
    plants: Plants
    recorder: Recorder
    retries: Retries
    moments: Moments
    live: Live
    limits: Limits
    now_us: Callable[[], int]
    lateness: Lateness
    aside: Store
    checks: dict[str, Check] = field(default_factory=dict)
    gauges: dict[str, Callable[[], float]] = field(default_factory=dict)
    listens: Callable[[], bool] | None = None
    reads_only: bool = False

    def check_writes(self) -> None:
        """Raise StoreUnavailable where this process only reads: before anything is computed for what is to be written."""
        if self.reads_only:
            raise StoreUnavailable(ONLY_READS)


def build_service(database_url: str, *, clock: Callable[[], int] = now_us, reads_only: bool = False) -> Service:
    """Return the service on a database whose schema is already this program's."""
    engines, limits = open_engines(database_url), Limits()
    store = SqlStore(engines, reads_only=reads_only)
    plants = Plants(lambda text: to_plant(read_json(text)))

    async def schema_is_right() -> bool:
        return await is_current(engines.read)

    moments, retries = Moments(limits), Retries(plants, clock, limits)
    live = Live(store, plants, clock, moments)
    recorder = Recorder(store, plants, clock, limits, live.note)
    checks: dict[str, Check] = {"database": schema_is_right}
    lateness, aside = Lateness(clock), SqlStore(open_engines(database_url, ASIDE_AT_ONCE), reads_only=True)
    shared = (store, plants, recorder, retries, moments, live, limits, clock, lateness, aside)
    return Service(*shared, checks, reads_only=reads_only)
