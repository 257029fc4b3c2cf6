"""Where ports meet what implements them."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from zoneledger.application.plants import Plants
from zoneledger.application.ports import Store
from zoneledger.application.record import Recorder
from zoneledger.clock import now_us
from zoneledger.core.booking import Limits
from zoneledger.plant_document import read_json, to_plant
from zoneledger.storage.engines import open_engines
from zoneledger.storage.store import SqlStore


@dataclass(frozen=True)
class Service:
    """All that an entry point needs; `recorder.run()` has to run while deliveries are handed in.

    `checks` say, by name, whether what it rests on is well; adapters add theirs."""

    store: Store
    plants: Plants
    recorder: Recorder
    limits: Limits
    now_us: Callable[[], int]
    checks: dict[str, Callable[[], Awaitable[bool]]] = field(default_factory=dict)


def build_service(database_url: str, *, clock: Callable[[], int] = now_us) -> Service:
    """Return the service on a database whose schema is already this program's."""
    store, limits = SqlStore(open_engines(database_url)), Limits()
    plants = Plants(lambda text: to_plant(read_json(text)))
    return Service(store, plants, Recorder(store, plants, clock, limits), limits, clock)
